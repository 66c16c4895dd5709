"""What keeps the pages safe in a browser, and readable when something goes wrong."""

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.contrib.staticfiles import finders
from django.test import Client, RequestFactory
from django.urls import resolve
from django.utils import timezone

from fleet.dashboard.frame import PAGES as MASTHEAD
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.views.errors import broken
from fleet.people.models import Person
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Source
from tests.cast import Cast
from tests.dashboard.workshop import Workshop

SignedIn = Callable[[Person], Client]
PAGES = [
    *("/overview", "/due", "/vehicles/V-101", "/readings", "/runs", "/sign-in", "/nothing-here"),
    *("/work-orders", "/todays-orders", "/findings", "/people-and-tokens", "/workshop-days"),
    *("/vehicles/V-101/evidence", "/work-orders/W-000001", "/work-orders/W-000001/card"),
    *("/baselines", "/climate", "/consumables", "/costs", "/field-trials", "/method", "/stock"),
    *("/workbook", "/what-if", "/api-reference", "/readings/settlements"),
    "/overview/since?kind=finding&on=2026-03-31&since=2026-03-01T00:00:00Z",
]
# pages about a row that is not there here, and answers to a form
OTHERS = {"field-trial", "one-workbook", "publish-days", "rate", "sign-in-link", "stale-form"}
OTHERS |= {"one-load", "one-what-if", "upload", "visit"}
STATIC = Path(settings.BASE_DIR) / "fleet" / "dashboard" / "static" / "dashboard"
# all but the one file, and what belongs to the chart library
PAGE_SHEETS = sorted(set(STATIC.glob("*.css")) - {STATIC / "tokens.css", STATIC / "plotly.css"})
COLOUR = re.compile(r"#[0-9a-f]{3,8}\b|\b(rgb|hsl|oklch)a?\(", re.IGNORECASE)


class Inline(HTMLParser):
    """Collects what the content security policy would refuse."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        refused = [name for name in given if name == "style" or name.startswith("on")]
        if tag == "style" or refused or (tag == "script" and "src" not in given):
            self.found.append(f"{tag} {refused}")


def named() -> set[str]:
    """Every page by its template."""
    folder = Path(settings.BASE_DIR) / "templates" / "dashboard"
    found = {one.stem for one in folder.glob("*.html")}
    return {name for name in found if not name.startswith("_") and not name.isdecimal()}


def test_every_page_is_looked_at() -> None:
    there = {resolve(urlsplit(page).path).url_name for page in PAGES if page != "/nothing-here"}
    assert there | OTHERS == named()


def test_every_page_is_led_to() -> None:
    """A page stands in the masthead, or another page leads to it."""
    told = ""
    for place in ("templates", "fleet/dashboard"):
        for one in sorted((Path(settings.BASE_DIR) / place).rglob("*")):
            if one.suffix in {".html", ".py"} and one.name != "urls.py":
                told += one.read_text()
    alone = {"overview", "stale-form", "sign-in-link"}  # where one lands, and what stands alone
    for name in named() - {page.name for page in MASTHEAD} - alone:
        ways = (f"{{% url '{name}'", f'redirect("{name}"', f'reverse("{name}"')
        assert any(way in told for way in ways), name


@pytest.mark.parametrize("page", PAGES)
def test_no_page_carries_inline_script_or_style(
    page: str, people: Cast, shop: Workshop, signed_in: SignedIn
) -> None:
    shop.order.number = "W-000001"
    shop.order.save()
    now = timezone.now().replace(microsecond=0)
    meter = people.van.meters.get()
    enter([Entry(people.van.pk, meter.pk, now, True, 900, "km")], Source.PAGE)
    client = Client() if page == "/sign-in" else signed_in(people.supervisor)
    answer, parser = client.get(page), Inline()
    parser.feed(answer.content.decode())
    assert parser.found == []
    policy = answer["Content-Security-Policy"]
    assert "script-src 'self';" in policy + ";"
    assert "unsafe" not in policy


@pytest.mark.django_db
def test_a_page_that_is_not_there_says_so_to_strangers_too() -> None:
    answer = Client().get("/nothing-here")
    assert answer.status_code == 404
    assert "There is no such page" in answer.content.decode()


def test_a_fault_is_told_without_asking_the_database() -> None:
    answer = broken(RequestFactory().get("/"))
    assert answer.status_code == 500
    assert "what was saved before is safe" in answer.content.decode()


@pytest.mark.django_db
def test_a_form_without_its_token_changes_nothing_and_says_so() -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in", {"username": "x"})
    assert answer.status_code == 403
    assert "Nothing was changed" in answer.content.decode()


@pytest.mark.parametrize("sheet", PAGE_SHEETS, ids=lambda path: path.name)
def test_colours_stand_in_one_file_only(sheet: Path) -> None:
    assert COLOUR.findall(sheet.read_text()) == []


def test_every_colour_and_size_that_is_used_is_defined() -> None:
    text = "\n".join(path.read_text() for path in STATIC.glob("*.css"))
    used = set(re.findall(r"var\((--[\w-]+)\)", text))
    charts = (STATIC.parents[1] / "charts.py").read_text()
    used |= set(re.findall(r"var\((--[\w-]+)\)", charts))
    defined = set(re.findall(r"^\s+(--[\w-]+):", (STATIC / "tokens.css").read_text(), re.M))
    assert used - defined == set()


def test_the_chart_library_comes_out_of_the_installed_package() -> None:
    found = finders.find("plotly/plotly.min.js")
    assert found is not None
    assert "site-packages" in str(found)
    assert finders.find("plotly/widgetbundle.js") is None


def test_the_chart_library_still_looks_for_the_same_style_elements() -> None:
    script = Path(str(finders.find("plotly/plotly.min.js"))).read_text()
    assert f'getElementById("{MAP_STYLE_ID}")' in script
    assert ".no-inline-styles" in script
