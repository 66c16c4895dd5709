"""No page has a fault that a rule of the Web Content Accessibility Guidelines names.

The rules are those of axe-core for WCAG 2.0 to 2.2, levels A and AA, and its best practices.
"""

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from django.conf import settings
from django.utils import timezone

from fleet import chain
from fleet.due.models import DueDate, Service
from fleet.readings import intake
from fleet.readings.models import Upload
from fleet.vehicles.models import Depot
from fleet.workbook.depot_sheets import DEPOTS
from fleet.workbook.models import Load
from fleet.workbook.vehicle_sheets import VEHICLES
from fleet.workbook.withdraw import as_json
from fleet.workbook.world import fleet_rows
from fleet.workorders import issue
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Escalation
from tests.cast import Cast, depots_day
from tests.conftest import require_service
from tests.dashboard.days import monday, planned_days, visit_of
from tests.dashboard.test_failed_checks import failed
from tests.dashboard.test_overview_need import ending, leaking
from tests.dashboard.test_what_if import done
from tests.dashboard.workshop import Workshop
from tests.trials.field import begun

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
OPTIONS = {"runOnly": RULES, "resultTypes": ["violations"]}
OPTIONS |= {"selectors": False, "preload": False}  # what no rule of these and nothing below needs
NEXT_FRAME = (
    "new Promise((shown) => requestAnimationFrame(shown))"  # by then charts are painted anew
)
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
    "happened-since": ("/overview/since?kind=finding&on=2026-03-31&since=2026-03-01T00:00:00Z",),
    "job-card": (ORDER + "/card",),
    "method": ("/method",),
    "overview": ("/overview",),
    "people-and-tokens": ("/people-and-tokens",),
    "readings": ("/readings",),
    "runs": ("/runs",),
    "settlements": ("/readings/settlements",),
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
# pages of rows that are arranged for them alone
ARRANGED = {
    "field-trial": "/field-trials/{trial}",
    "rate": "/field-trials/{trial}/rate",
    "visit": "/workshop-days/visits/{visit}",
    "publish-days": "/workshop-days/publish?depot=plain&until={until}",
    "upload": "/readings/uploads/{upload}",
    "one-what-if": "/what-if/{asked}",
    "one-load": "/workbook/loads/{load}",
}
# of what is sent
ELSEWHERE = {"403", "500", "stale-form", "sign-in-link", "one-workbook"}
WIDTHS = pytest.mark.parametrize("width", [1280, 390])  # scripts look at it when a page is loaded
SCHEMES = ("light", "dark")  # both of what is loaded: a chart is painted anew when they change


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
    assert pages == {*ADDRESSES, *ARRANGED, *ELSEWHERE}


@WIDTHS
def test_no_page_has_a_fault_that_a_rule_names(
    width: int, page: Page, busy: Workshop, complaints: list[str]
) -> None:
    dressed(page, width)
    every = [one for several in ADDRESSES.values() for one in several]
    for address in [one.format(order=busy.order.number) for one in every]:
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == (404 if address == MISSING else 200), address
        drawn(page)
        if "api-reference" in address:
            page.locator(".opblock-tag").first.click()
            page.locator(".opblock-summary-control").first.click()
            page.locator(".opblock-body .response").first.wait_for()
        page.evaluate(UNFOLD)
        # in the dark where all columns are: a width changes no colour
        assert (faults_in_both(page) if width == 1280 else faults(page, "light")) == [], address
    complaints[:] = [said for said in complaints if "404" not in said]


def uploaded(people: Cast) -> Upload:
    """A row that is accepted, one that is held for its missing digit, one of no vehicle."""
    rows = (f"V-101,{depots_day()},10900", f"V-102,{depots_day()},900", "V-999,soon,many")
    sent = "\n".join(("vehicle,date,odometer km", *rows)).encode()
    return chain.complete_upload(intake.receive(sent, "a.csv", people.clerk).pk)


@pytest.fixture
def arranged(people: Cast) -> dict[str, object]:
    """A field trial with ratings, planned days, an upload with a row of each outcome, an answer."""
    people.van_type.compartments.create(  # the oil of the trial goes there
        slug="gearbox", kind="gearbox", name="Gearbox", source="invented"
    )
    trial = begun().trial
    people.supervisor.depots.set(Depot.objects.all())
    DueDate.objects.all().delete()  # the planned days have their own
    planned_days(people, Service.objects.get(slug="engine-oil"))
    return {
        "trial": trial.slug,
        "visit": visit_of("V-101").pk,
        "until": monday() + timedelta(days=7),
        "upload": uploaded(people).pk,
        "asked": done(people).pk,
        "load": loaded().pk,
    }


def loaded() -> Load:
    """A load with a row that would be as before and one that would stay."""
    load = Load.objects.create(name="book.xlsx", loaded_at=timezone.now())
    (van, *_), (depot, *_) = (list(fleet_rows(sheet).values()) for sheet in (VEHICLES, DEPOTS))
    row = as_json(van.row)
    load.rows.create(sheet=VEHICLES.name, number=2, row_id=van.id, before=row, after=row)
    load.rows.create(sheet=DEPOTS.name, number=2, after=as_json(depot.row))
    return load


@WIDTHS
def test_pages_of_rows_of_their_own_have_no_such_fault(
    width: int, page: Page, arranged: dict[str, object], complaints: list[str]
) -> None:
    dressed(page, width)
    for address in [one.format(**arranged) for one in ARRANGED.values()]:
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == 200, address
        drawn(page)
        page.evaluate(UNFOLD)
        assert faults_in_both(page) == [], address


@WIDTHS
def test_what_is_answered_on_the_overview_has_no_such_fault(
    width: int, page: Page, busy: Workshop
) -> None:
    uploaded(busy.people)
    leaking(busy)
    service = ending(busy, 3).service
    busy.start()
    failed(busy, "moisture", Service.objects.create(slug="brake", name="Brake", **like(service)))
    long_ago = timezone.now() - timedelta(days=40)
    busy.people.second_van.usage_states.update(last_at_d=long_ago.timestamp() / 86_400)
    dressed(page, width)
    page.goto("/overview")
    pieces = page.locator(".answer")
    asked = pieces.count()
    # do not use, before use, failed, decide, held, deferral, unread
    assert asked == 7
    for at in range(asked):
        pieces.nth(at).locator("summary").click()
        pieces.nth(at).locator(".answer-here form").first.wait_for()
    assert faults_in_both(page) == []


def like(service: Service) -> dict[str, Any]:
    """What another service of the same compartment has in common with it."""
    return {name: getattr(service, name) for name in ("vehicle_type", "compartment", "source")}


def dressed(page: Page, width: int) -> None:
    page.emulate_media(reduced_motion="reduce")
    page.set_viewport_size({"width": width, "height": 900})


def drawn(page: Page) -> None:
    """Wait for the charts; on a phone they are asked for first."""
    asked_for = page.get_by_role("button", name="Show the charts")
    if asked_for.count():
        asked_for.click()
    if page.locator("[data-chart]").count():
        page.locator("[data-chart][data-drawn]").first.wait_for()


def faults_in_both(page: Page) -> list[str]:
    return [f"{scheme}: {one}" for scheme in SCHEMES for one in faults(page, scheme)]


def faults(page: Page, scheme: Any) -> list[str]:
    require_service(Axe is not None, "axe-playwright-python")
    page.emulate_media(color_scheme=scheme)
    page.evaluate(NEXT_FRAME)
    if not page.evaluate("'axe' in window"):
        page.evaluate(Axe().axe_script)
    found = page.evaluate("(options) => axe.run(options)", OPTIONS)
    return [
        f"{rule['id']}: {node['html'][:200]}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]
