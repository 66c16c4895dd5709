"""A real browser against a real server; what it writes to its console fails the test.

A window costs more than most of what is asked in it, and so does reading the chart library anew.
So a window of each kind outlasts the tests: each has a page of its own in it, and what it left
there (cookies, storage, service workers, routes) is cleared away before the next.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.cache import cache
from django.test import Client
from django.utils import timezone

from fleet.people.models import Person
from tests.cast import Cast
from tests.conftest import require_service
from tests.dashboard.arranged import arrange
from tests.dashboard.workshop import Workshop, open_workshop

try:
    from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
except ImportError:  # the guard below says so
    Browser = BrowserContext = Page = Any  # type: ignore[assignment, misc]
    sync_playwright = None  # type: ignore[assignment]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# what the browser itself tells about a request without a network, a question and a refusal
TOLD = ("ERR_INTERNET_DISCONNECTED", "ERR_CONNECTION_RESET", "ERR_FAILED", "409", "422")
DEADLINE_MS = 60_000  # what is waited for is a state; a busy machine is given time to reach it
FLAGS = [
    *("--no-sandbox", "--disable-background-networking", "--no-first-run"),
    *("--disable-gpu", "--disable-gpu-rasterization", "--disable-software-rasterizer"),
    "--process-per-site",  # what it has compiled of a script serves the next page, too
]
Opened = Callable[[tuple[int, int]], Page]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    require_service(bool(CHROMIUM) and sync_playwright is not None, "Chromium (with playwright)")
    # playwright keeps an event loop in this thread, which Django takes for asynchronous code
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def people(transactional_db: None) -> Iterator[Cast]:
    mark = Path(settings.DATA_DIR) / "demo"  # sign-in links work in a demo only
    mark.touch()
    cache.clear()
    yield arrange(timezone.now())
    mark.unlink(missing_ok=True)


@pytest.fixture
def complaints() -> list[str]:
    """What the browser wrote to its console: refused styles, failed loads, faults in scripts."""
    return []


@pytest.fixture(scope="session")
def windows(browser: Browser, live_server: Any) -> "Windows":
    return Windows(browser, live_server.url)


class Windows:
    """One of each kind, without a trace of the test before."""

    def __init__(self, browser: Browser, address: str) -> None:
        self.browser, self.address = browser, address
        self.open: dict[str, BrowserContext] = {}

    def of(self, **kind: Any) -> BrowserContext:
        return self.open.get(str(kind)) or self.open.setdefault(str(kind), self._new(kind))

    def _new(self, kind: dict[str, Any]) -> BrowserContext:
        """With a page that stays: a window closes with its last, and its process ends."""
        window = self.browser.new_context(base_url=self.address, **kind)
        window.new_page().goto("/static/dashboard/mark.svg")
        window.pages[0].goto("about:blank")
        return window

    def clear(self, window: BrowserContext) -> None:
        first, *others = window.pages
        for one in others:
            one.close()
        window.unroute_all()
        everything = {"origin": self.address, "storageTypes": "all"}
        devtools = window.new_cdp_session(first)
        devtools.send("Storage.clearDataForOrigin", everything)
        devtools.detach()


@pytest.fixture
def screen(windows: Windows, people: Cast, complaints: list[str]) -> Iterator[Opened]:
    """A page without touch and without a person, as wide and high as asked."""
    window = windows.of(locale="en-GB")
    yield lambda size: opened(window, size, complaints)
    windows.clear(window)


@pytest.fixture
def hand_held(windows: Windows, people: Cast, complaints: list[str]) -> Iterator[Opened]:
    window = windows.of(has_touch=True)
    yield lambda size: opened(window, size, complaints)
    windows.clear(window)


def opened(window: BrowserContext, size: tuple[int, int], complaints: list[str]) -> Page:
    page = window.new_page()
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.set_default_timeout(DEADLINE_MS)
    page.on("console", lambda said: complaints.append(said.text) if _bad(said.type) else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    return page


def _bad(kind: str) -> bool:
    return kind in {"error", "warning"}


def sign_in(page: Page, person: Person, address: str) -> None:
    """As if by a password; no page is opened."""
    client = Client()
    client.force_login(person)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME]
    page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": address}])


@pytest.fixture
def page(screen: Opened, people: Cast, live_server: Any, complaints: list[str]) -> Iterator[Page]:
    """The supervisor's, on no page yet."""
    its = screen((1280, 800))
    sign_in(its, people.supervisor, live_server.url)
    yield its
    its.close()
    assert complaints == []


# --- a mechanic's phone ----------------------------------------------------------------------
@pytest.fixture
def shop(people: Cast) -> Workshop:
    return open_workshop(people)


@pytest.fixture
def phone(
    hand_held: Opened, shop: Workshop, live_server: Any, complaints: list[str]
) -> Iterator[Page]:
    """A mechanic's, signed in, on no page yet."""
    its = hand_held((360, 800))
    sign_in(its, shop.people.mechanic, live_server.url)
    yield its
    its.close()
    assert [said for said in complaints if not any(word in said for word in TOLD)] == []


def todays_orders(phone: Page) -> None:
    """The day's list, it and the cards of the day kept at hand: no fetch of theirs is cut short."""
    phone.goto("/todays-orders")
    phone.locator("#queue[data-at-hand]").wait_for(state="attached")


def card(phone: Page, shop: Workshop) -> None:
    """The card of a started order, kept at hand."""
    shop.start()
    todays_orders(phone)
    phone.get_by_role("link", name="V-101").click()
    phone.locator("#queue[data-at-hand]").wait_for(state="attached")


def cut_network(phone: Page) -> None:
    """From now on every request of the phone fails at once, those of its service worker too."""
    phone.context.route("**/*", lambda route: route.abort("internetdisconnected"))


def mend_network(phone: Page) -> None:
    phone.context.unroute_all()
    phone.evaluate("window.dispatchEvent(new Event('online'))")
