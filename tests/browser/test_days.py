"""Publishing workshop days in a browser: what is told follows the ticks at once."""

from datetime import timedelta
from typing import Any

import pytest

from fleet.due.models import DueDate, Service
from fleet.visits.models import Plan
from fleet.workorders.models import WorkOrder
from tests.browser.test_accessible import Axe, faults
from tests.cast import Cast
from tests.conftest import require_service
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


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_the_pages_of_planned_days_have_no_fault_that_a_rule_names(
    scheme: Any, width: int, page: Page, days: Plan
) -> None:
    require_service(Axe is not None, "axe-playwright-python")
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.set_viewport_size({"width": width, "height": 900})
    WorkOrder.objects.update(state=WorkOrder.State.RELEASED)
    until = monday() + timedelta(days=7)
    for address in (
        f"/workshop-days?depot=plain&from={monday()}",
        f"/workshop-days/publish?depot=plain&until={until}",
        f"{at('V-101')}?on={until}",
    ):
        page.goto(address)
        assert faults(page) == [], address
        wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
        assert not wide, address
