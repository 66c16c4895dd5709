"""Publishing workshop days in a browser: what is told follows the ticks at once."""

import threading
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Depot
from fleet.visits.models import Plan
from fleet.visits.replan import how_far
from fleet.workorders.models import WorkOrder
from tests.browser.conftest import DEADLINE_MS
from tests.browser.test_accessible import dressed, faults
from tests.cast import Cast
from tests.dashboard.days import at, monday, planned_days, visit_of

Page = Any


@pytest.fixture
def days(people: Cast) -> Plan:
    DueDate.objects.all().delete()
    return planned_days(people, Service.objects.get())


def test_what_publishing_would_do_follows_the_ticks(page: Page, days: Plan) -> None:
    WorkOrder.objects.update(state=WorkOrder.State.RELEASED)
    page.goto(f"/workshop-days/publish?depot=plain&until={monday() + timedelta(days=7)}")
    page.get_by_role("button", name="Publish this 1 visit").wait_for()
    page.get_by_label("W-1 of V-101").check()
    page.get_by_role("button", name="Publish these 2 visits").wait_for()
    page.get_by_label("W-1 of V-101").uncheck()
    page.get_by_role("button", name="Publish this 1 visit").wait_for()
    page.get_by_label("W-1 of V-101").check()
    page.get_by_role("button", name="Publish these 2 visits").click()
    page.get_by_text("2 orders changed or drafted").wait_for()
    assert WorkOrder.objects.get(number="W-1").planned_on == visit_of("V-101").on


def drag(page: Page, number: str, on: date, bay: str) -> None:
    """As a hand does it: pressed, moved a little, moved over, let go."""
    visit = page.locator(f'[data-name="{number}"] ul').bounding_box()
    cell = page.locator(f'td[data-on="{on}"][data-bay="{bay}"]').bounding_box()
    assert visit
    assert cell
    page.mouse.move(visit["x"] + 20, visit["y"] + 8)
    page.mouse.down()
    page.mouse.move(visit["x"] + 40, visit["y"] + 16, steps=4)
    page.mouse.move(cell["x"] + 20, cell["y"] + 8, steps=6)
    page.mouse.up()


def test_a_visit_is_dragged_and_told_what_it_costs_before_it_moves(page: Page, days: Plan) -> None:
    was, friday = visit_of("V-102"), monday() + timedelta(days=4)
    page.set_viewport_size({"width": 1440, "height": 1600})
    page.goto(f"/workshop-days?depot=plain&from={monday()}")
    drag(page, "V-102", friday, "Lift 2")
    ask = page.get_by_role("dialog")
    ask.get_by_text("Lift 2, M. Fernholt").wait_for()
    # by hand: due on the Monday for certain, so four days late at 40 each
    assert "costs 160.00 EUR more" in ask.inner_text()
    assert "4 days late" in ask.inner_text()
    assert visit_of("V-102").on == was.on  # shown, not kept
    ask.get_by_role("button", name="Leave it where it is").click()
    ask.wait_for(state="hidden")
    assert visit_of("V-102").on == was.on
    drag(page, "V-102", friday, "Lift 2")
    ask.get_by_role("button", name="Move it there and lock it").click()
    page.get_by_text("Its day is locked").wait_for()
    moved = visit_of("V-102")
    assert (moved.on, moved.bay, moved.locked) == (friday, "Lift 2", True)


def test_a_day_that_cannot_hold_it_says_so_where_it_was_dropped(page: Page, days: Plan) -> None:
    was, saturday = visit_of("V-102").on, monday() + timedelta(days=5)
    page.set_viewport_size({"width": 1440, "height": 1600})
    page.goto(f"/workshop-days?depot=plain&from={monday()}")
    drag(page, "V-102", saturday, "Lift 1")
    ask = page.get_by_role("dialog")
    ask.get_by_text("The workshop is closed").wait_for()
    assert ask.get_by_role("button", name="Move it there and lock it").count() == 0
    page.keyboard.press("Escape")
    ask.wait_for(state="hidden")
    assert visit_of("V-102").on == was


# what the form says while the page that follows is on its way, kept beyond it
KEEP_SAID = """
new MutationObserver((all) => all.forEach((one) => {
  const said = one.target.textContent;
  sessionStorage.setItem("said", `${sessionStorage.getItem("said") || ""}|${said}`);
})).observe(document.querySelector("[data-planning] [role=status]"), { childList: true });
"""


def test_planning_anew_tells_what_it_is_at(
    page: Page, days: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = threading.Semaphore(0)

    def asking(depot: Depot) -> float | None:
        asked.release()
        return how_far(depot)

    def waits(*_: object, told: Callable[[float], None], **__: object) -> list[Plan]:
        told(0.3)  # the days are being worked out
        for _again in range(3):  # the third is asked after the second was shown
            asked.acquire(timeout=DEADLINE_MS / 1000)
        return [days]

    monkeypatch.setattr("fleet.visits.replan.plan", waits)
    monkeypatch.setattr("fleet.dashboard.visits.workshop_days.how_far", asking)
    page.goto("/workshop-days?depot=plain")
    page.evaluate(KEEP_SAID)
    page.get_by_role("button", name="Plan anew now").click(no_wait_after=True)
    page.get_by_text("Nothing has changed since this plan was made").wait_for()
    said = page.evaluate("sessionStorage.getItem('said')").split("|")
    assert said[1] == "Beginning …"
    assert "Working out days and visits, 3 seconds at most …" in said
    assert page.get_by_role("button", name="Plan anew now").is_enabled()


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_the_pages_of_planned_days_have_no_fault_that_a_rule_names(
    scheme: Any, width: int, page: Page, days: Plan
) -> None:
    dressed(page, width)
    WorkOrder.objects.update(state=WorkOrder.State.RELEASED)
    until = monday() + timedelta(days=7)
    for address in (
        f"/workshop-days?depot=plain&from={monday()}",
        f"/workshop-days/publish?depot=plain&until={until}",
        f"{at('V-101')}?on={until}",
    ):
        page.goto(address)
        assert faults(page, scheme) == [], address
        wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
        assert not wide, address
