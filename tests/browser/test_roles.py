"""What each of the desks does all day, on a phone and on a screen; a mechanic's and a
supervisor's day have files of their own."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.utils import timezone

from fleet.people.links import issue
from fleet.people.models import Role
from fleet.readings.models import Reading
from fleet.stores.models import Stock
from tests.browser.conftest import Opened, Page
from tests.cast import Cast, person
from tests.dashboard.test_readings import held
from tests.stores import shelf

Desk = Callable[[Any], Page]
AT = [pytest.param((390, 844), id="phone"), pytest.param((1440, 900), id="screen")]


@pytest.fixture(params=AT)
def desk(request: Any, screen: Opened, people: Cast, complaints: list[str]) -> Iterator[Desk]:
    """Sign somebody in by a link."""

    def signed_in(who: Any) -> Page:
        its = screen(request.param)
        its.goto(issue(who))
        return its

    yield signed_in
    # a question is a refusal until it is answered, and the browser notes every refusal
    assert [said for said in complaints if "409" not in said] == []


def heading(page: Page, text: str) -> None:
    page.get_by_role("heading", name=text, level=1).wait_for()


def to(page: Page, name: str) -> None:
    """By the menu."""
    page.locator(".pages").get_by_role("link", name=name, exact=True).click()
    heading(page, name)


def test_a_clerk_sends_a_sheet_and_settles_what_is_held(desk: Desk, people: Cast) -> None:
    odd = held(people)
    page = desk(people.clerk)
    heading(page, "Readings")
    page.get_by_label("Reason").first.fill("typing error")
    page.get_by_role("button", name="Reject", exact=True).click()
    page.locator("#to-answer").get_by_text("Nothing waits for an answer").wait_for()
    odd.refresh_from_db()
    assert odd.verdict == "rejected"
    today = timezone.now().date().isoformat()
    sheet = f"vehicle,date,odometer [km]\nV-102,{today},10800\n".encode()
    page.get_by_label("Sheet of odometer readings").set_input_files(
        {"name": "today.csv", "mimeType": "text/csv", "buffer": sheet}
    )
    page.get_by_role("button", name="Upload", exact=True).click()
    page.locator("#uploads").get_by_role("link", name="today.csv").click()
    heading(page, "today.csv")
    assert Reading.objects.filter(value=10_800, verdict="accepted").exists()


def test_a_keeper_of_stores_receives_counts_and_looks_ahead(desk: Desk, people: Cast) -> None:
    oil = shelf.item("gear-oil")
    shelf.stock(oil, people.plain)
    page = desk(person("Stella", Role.STORES, people.plain))
    heading(page, "Consumables")
    to(page, "Stock")
    for way, quantity, why, then in (
        ("received", "20", "", 20_000),
        ("counted", "18", "spilt", 18_000),
    ):
        record(page, way, quantity, why)
        page.get_by_text("On hand").first.wait_for()
        assert Stock.objects.get(item=oil).on_hand == then


def record(page: Page, way: str, quantity: str, why: str) -> None:
    """Fill in what happened, and send it."""
    form = page.locator("form", has=page.get_by_role("button", name="Record", exact=True))
    form.get_by_label("What happened").select_option(way)
    form.get_by_label("Depot", exact=True).select_option("plain")
    form.get_by_label("Item").select_option("gear-oil")
    form.get_by_label("How much").fill(quantity)
    form.get_by_label("Why").fill(why)
    with page.expect_navigation():
        form.get_by_role("button", name="Record", exact=True).click()


def test_an_engineer_looks_at_trials_dates_and_costs(desk: Desk, people: Cast) -> None:
    page = desk(person("Noor", Role.ENGINEER, people.plain))
    heading(page, "Field trials")
    to(page, "Method")
    to(page, "Costs")
    to(page, "Due")
    page.get_by_role("link", name="V-101").first.click()
    heading(page, "V-101")


def test_a_viewer_sees_what_is_due_and_changes_nothing(desk: Desk, people: Cast) -> None:
    page = desk(people.viewer)
    heading(page, "Overview")
    to(page, "Due")
    page.get_by_role("link", name="V-101").first.click()
    heading(page, "V-101")
    assert page.get_by_role("button", name="Draft order").count() == 0
