"""A real browser against a real server; what it writes to its console fails the test."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.cache import cache
from django.utils import timezone

from fleet.people.links import issue
from tests.cast import Cast
from tests.conftest import require_service
from tests.dashboard.arranged import arrange
from tests.dashboard.workshop import Workshop, open_workshop

try:
    from playwright.sync_api import Browser, Page, sync_playwright
except ImportError:  # the guard below says so
    Browser = Page = Any  # type: ignore[assignment, misc]
    sync_playwright = None  # type: ignore[assignment]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# what the browser itself tells about a request without a network, a question and a refusal
TOLD = ("ERR_INTERNET_DISCONNECTED", "ERR_CONNECTION_RESET", "ERR_FAILED", "409", "422")
FORGET = "caches.keys().then((all) => Promise.all(all.map((one) => caches.delete(one))))"
DEADLINE_MS = 60_000  # what is waited for is a state; a busy machine is given time to reach it
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


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


@pytest.fixture
def page(browser: Browser, people: Cast, live_server: Any, complaints: list[str]) -> Iterator[Page]:
    """Signed in as the supervisor by a link, on the landing page."""
    context = browser.new_context(
        base_url=live_server.url, viewport={"width": 1280, "height": 800}, locale="en-GB"
    )
    opened = context.new_page()
    opened.set_default_timeout(DEADLINE_MS)
    opened.on("console", lambda said: complaints.append(said.text) if _bad(said.type) else None)
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.goto(issue(people.supervisor))
    yield opened
    context.close()
    assert complaints == []


def _bad(kind: str) -> bool:
    return kind in {"error", "warning"}


# --- a mechanic's phone ----------------------------------------------------------------------
@pytest.fixture
def shop(people: Cast) -> Workshop:
    return open_workshop(people)


@pytest.fixture
def phone(
    browser: Browser, shop: Workshop, live_server: Any, complaints: list[str]
) -> Iterator[Page]:
    """A mechanic's phone, just signed in."""
    context = browser.new_context(
        base_url=live_server.url, viewport={"width": 360, "height": 800}, has_touch=True
    )
    opened = context.new_page()
    opened.set_default_timeout(DEADLINE_MS)
    opened.on("console", lambda said: complaints.append(said.text) if _bad(said.type) else None)
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.goto(issue(shop.people.mechanic))
    opened.locator("#queue[data-at-hand]").wait_for(state="attached")  # no fetch is cut short
    yield opened
    context.close()
    assert [said for said in complaints if not any(word in said for word in TOLD)] == []


def card(phone: Page, shop: Workshop) -> None:
    """The card of a started order, kept at hand."""
    shop.start()
    phone.evaluate(FORGET)  # where the server is slow, the card from before the start is shown
    phone.goto("/todays-orders")
    phone.get_by_role("link", name="V-101").click()
    phone.locator("#queue[data-at-hand]").wait_for(state="attached")


def cut_network(phone: Page) -> None:
    """From now on every request of the phone fails at once, those of its service worker too."""
    phone.context.route("**/*", lambda route: route.abort("internetdisconnected"))


def mend_network(phone: Page) -> None:
    phone.context.unroute_all()
    phone.evaluate("window.dispatchEvent(new Event('online'))")
