"""No page has a fault that a rule of the Web Content Accessibility Guidelines names.

The rules are those of axe-core for WCAG 2.0 to 2.2, levels A and AA, and its best practices.
"""

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.conf import settings

from fleet.due.models import DueDate
from fleet.workorders import issue
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Escalation
from tests.cast import depots_day
from tests.conftest import require_service
from tests.dashboard.workshop import Workshop

try:
    from axe_playwright_python.sync_playwright import Axe
except ImportError:  # the guard below says so
    Axe = None

if TYPE_CHECKING:
    from playwright.sync_api import Page
else:
    Page = Any

UNFOLD = "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
TEMPLATES = Path(settings.BASE_DIR) / "templates" / "dashboard"
MISSING = "/nothing-like-it"
ORDER = "/work-orders/{order}"
# an address, or several in other states, of each page that has one of its own
ADDRESSES: dict[str, tuple[str, ...]] = {
    "api-reference": ("/api-reference",),
    "baselines": ("/baselines",),
    "climate": ("/climate",),
    "consumables": ("/consumables",),
    "costs": ("/costs",),
    "due": ("/due", "/due?group=depot&sort=-life", "/due?period=7&until=never"),
    "evidence": ("/vehicles/V-101/evidence",),
    "field-trials": ("/field-trials",),
    "findings": ("/findings",),
    "job-card": (ORDER + "/card",),
    "method": ("/method",),
    "overview": ("/overview",),
    "people-and-tokens": ("/people-and-tokens",),
    "readings": ("/readings",),
    "runs": ("/runs",),
    "sign-in": ("/sign-in",),
    "stock": ("/stock",),
    "todays-orders": ("/todays-orders",),
    "vehicle": ("/vehicles/V-101",),
    "work-order": (ORDER,),
    "work-orders": ("/work-orders", "/work-orders?decide=open&sort=day"),
    "what-if": ("/what-if",),
    "workbook": ("/workbook",),
    "workshop-days": ("/workshop-days",),
    "404": (MISSING,),
}
# of what is sent, or made of many rows that their own tests arrange
ELSEWHERE = {
    *("403", "500", "stale-form", "sign-in-link", "upload", "one-workbook"),
    "one-what-if",
    *("field-trial", "rate", "publish-days", "visit"),
}


@pytest.fixture
def busy(shop: Workshop) -> Workshop:
    """An order that can be started, one that is drafted, a service that is overdue and asked
    about."""
    late = depots_day() - timedelta(days=9)
    DueDate.objects.filter(vehicle=shop.people.second_van).update(
        beyond_by_reading=True, p10=late, p50=late, p90=late, sort_on=late, bring_in_by_on=late
    )
    boss = shop.people.supervisor
    boss.depots.add(shop.people.hill)  # whoever has every depot loads the workbook
    issue.draft(
        shop.actor(boss),
        OrderDraft(vehicle_id=shop.people.second_van.pk, service_ids=[shop.oil.pk]),
    )
    Escalation.objects.create(
        vehicle=shop.people.second_van, service=shop.oil, stage="supervisor", since_on=late
    )
    return shop


def test_every_page_has_an_address_here() -> None:
    pages = {path.stem for path in TEMPLATES.glob("*.html") if not path.stem.startswith("_")}
    assert pages == {*ADDRESSES, *ELSEWHERE}


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_no_page_has_a_fault_that_a_rule_names(
    scheme: Any, width: int, page: Page, busy: Workshop, complaints: list[str]
) -> None:
    require_service(Axe is not None, "axe-playwright-python")
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.set_viewport_size({"width": width, "height": 900})
    every = [one for several in ADDRESSES.values() for one in several]
    for address in [one.format(order=busy.order.number) for one in every]:
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == (404 if address == MISSING else 200), address
        asked_for = page.get_by_role("button", name="Show the charts")
        if asked_for.count():  # on a phone
            asked_for.click()
        if page.locator("[data-chart]").count():
            page.locator("[data-chart][data-drawn]").first.wait_for()
        if "api-reference" in address:
            page.locator(".opblock-tag").first.click()
            page.locator(".opblock-summary-control").first.click()
            page.locator(".opblock-body .response").first.wait_for()
        page.evaluate(UNFOLD)
        assert faults(page) == [], address
    complaints[:] = [said for said in complaints if "404" not in said]


def faults(page: Page) -> list[str]:
    found = Axe().run(page, options={"runOnly": RULES, "resultTypes": ["violations"]})
    return [
        f"{rule['id']}: {node['html'][:200]}"
        for rule in found.response["violations"]
        for node in rule["nodes"]
    ]
