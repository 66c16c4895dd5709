"""The supervisor's Monday with three hundred vehicles, by pointer and by keys."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.conf import settings
from django.core.cache import cache

from fleet.consumables.models import OrderProposal
from fleet.readings.models import Reading
from fleet.stores.models import Arrival
from fleet.vehicles.models import Depot
from fleet.workorders.models import Escalation, WorkOrder
from tests.browser.monday import ITEMS, OVERDUE, Monday, monday
from tests.cast import depots_day

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page
else:
    Locator = Page = Any

MOST_CLICKS = 40
COUNT = """addEventListener("pointerdown", () => {
  sessionStorage.presses = Number(sessionStorage.presses || 0) + 1;
}, true)"""
FOCUSED = """(() => {
  const one = document.activeElement;
  return (one.labels?.length ? one.labels[0] : one).textContent.trim();
})()"""
PRESSES = "Number(sessionStorage.presses || 0)"


@pytest.fixture
def arranged(transactional_db: None) -> Iterator[Monday]:
    mark = Path(settings.DATA_DIR) / "demo"  # sign-in links work in a demo only
    mark.touch()
    cache.clear()
    made = monday()
    Depot.objects.update(working_days="1111111")  # whatever day it is
    yield made
    mark.unlink(missing_ok=True)


@pytest.fixture
def people(arranged: Monday) -> Any:
    return arranged.people


@pytest.fixture
def desk(page: Page) -> Page:
    """The supervisor's browser on the overview, every press of the pointer counted."""
    page.set_viewport_size({"width": 1440, "height": 900})
    page.add_init_script(COUNT)
    page.goto("/overview")
    return page


def need(desk: Page, words: str) -> Locator:
    return desk.locator(".need-list > li").filter(has_text=words)


def typed(desk: Page, where: Locator, text: str) -> None:
    """As a person does it: into the field by a press, then the keys."""
    where.click()
    desk.keyboard.type(text)


def test_the_whole_monday_takes_at_most_forty_clicks(
    desk: Page, arranged: Monday, complaints: list[str]
) -> None:
    # overdue, and why
    desk.get_by_role("link", name=f"{OVERDUE} services").first.click()
    desk.locator("#due-rows, table tbody").first.get_by_role("link").first.click()
    desk.get_by_text("Why then?").first.click()
    desk.get_by_text("20,000 km or 12 months, whichever first").first.wait_for()
    desk.get_by_role("link", name="Overview", exact=True).click()
    # answer for what is overdue
    decide = need(desk, "decisions to take")
    decide.get_by_text("Decide here").click()
    decide.get_by_label("All 18").click()
    typed(desk, decide.get_by_label("Reason, kept with each"), "comes in this week")
    decide.get_by_role("button", name="It is planned").click()
    desk.get_by_text("Answered “planned” for 18 services.").wait_for()
    assert Escalation.objects.filter(answer="planned").count() == OVERDUE
    # settle what is held
    held = need(desk, "readings held")
    held.get_by_text("Settle here").click()
    held.get_by_label(f"All {arranged.held}").click()
    typed(desk, held.get_by_label("Reason"), "last digit lost")
    held.get_by_role("button", name="Take what was likely meant").click()
    desk.get_by_text("due dates are up to date").wait_for()
    left = Reading.objects.filter(verdict="held").count()
    assert 0 < left < arranged.held  # those without a value that was likely meant
    held = need(desk, "readings held" if left > 1 else "reading held")
    held.get_by_text("Settle here").click()
    held.get_by_label(f"All {left}").click()
    typed(desk, held.get_by_label("Reason"), "asked the driver")
    held.get_by_role("button", name="Reject").click()
    held.wait_for(state="detached")
    assert not Reading.objects.filter(verdict="held").exists()
    # what to order
    short = need(desk, "items to order today")
    short.get_by_text("Say that they are ordered").click()
    short.get_by_role("button", name="The chosen ones are ordered").click()
    short.wait_for(state="detached")
    assert Arrival.objects.count() == ITEMS
    assert not OrderProposal.objects.exists()
    # release the week
    desk.get_by_role("link", name="Work orders", exact=True).click()
    week = desk.get_by_role("button", name=re.compile("Release drafted orders up to"))
    drafted = int(desk.get_by_text("leave some out").inner_text().split()[0])
    assert drafted > OVERDUE
    week.click()
    day = desk.get_by_label("Plan all of them for")
    day.click()
    day.fill(depots_day().isoformat())
    desk.get_by_label("Mechanic for all").select_option(label="Mika")
    desk.get_by_role("button", name="Release", exact=True).click()
    desk.get_by_text(f"Released {drafted} orders.").wait_for()
    mine = WorkOrder.objects.filter(state="released", assigned_to=arranged.people.mechanic)
    assert mine.count() == drafted
    presses = desk.evaluate(PRESSES) + 2  # a list is opened and its line pressed
    print("clicks:", presses)
    assert 10 < presses <= MOST_CLICKS
    complaints[:] = [said for said in complaints if "409" not in said]  # the release is asked about


def test_what_waits_is_answered_by_keys_alone(desk: Page, arranged: Monday) -> None:
    held = need(desk, "readings held")
    _tab_to(desk, "Settle here: readings held")
    desk.keyboard.press("Enter")
    held.get_by_label(f"All {arranged.held}").wait_for()
    _tab_to(desk, f"All {arranged.held}")
    desk.keyboard.press("Space")
    desk.keyboard.press("Tab")
    desk.keyboard.type("last digit lost")
    desk.keyboard.press("Tab")
    assert desk.evaluate(FOCUSED) == "Take what was likely meant"
    outline = desk.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    desk.keyboard.press("Enter")
    desk.get_by_text("due dates are up to date").wait_for()
    assert Reading.objects.filter(verdict="held").count() < arranged.held
    assert desk.evaluate(PRESSES) == 0


def _tab_to(desk: Page, words: str) -> None:
    for _ in range(120):
        desk.keyboard.press("Tab")
        if desk.evaluate(FOCUSED) == words:
            return
    raise AssertionError(f"no key leads to {words!r}")
