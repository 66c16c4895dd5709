"""No page asks the database more often where it has more rows, and none more than ten times."""

from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.consumables.models import MonthlyDemand, OrderProposal
from fleet.due.models import DueDate, Service
from fleet.people.models import Person
from fleet.workorders import findings, progress
from fleet.workorders.models import Escalation, Finding, Job
from tests.cast import depots_day
from tests.dashboard.test_work_orders import came_back, drafted
from tests.dashboard.workshop import INVENTED, Workshop
from tests.kept import kept
from tests.stores import shelf

SignedIn = Callable[[Person], Client]
MOST, MORE = 10, 6
LISTS = (
    *("overview", "due", "due?group=week", "due?from=2026-01-01&group=depot", "work-orders"),
    *("work-orders?decide=open", "work-orders?sort=day", "workshop-days", "todays-orders"),
    *("readings", "field-trials", "stock", "runs", "method", "people-and-tokens"),
    *("baselines", "costs", "climate", "api-reference"),
)
# pages of many small things at once, of one vehicle, of its order and of the stores
DETAILS = (
    *("findings", "consumables", "vehicles/V-101"),
    *("work-orders/{order}", "work-orders/{order}/card"),
)


@kept
def busy(shop: Workshop) -> Workshop:
    """Something of everything that a list shows."""
    came_back(shop)
    more_vehicles(shop, "A")
    return shop


def more_vehicles(shop: Workshop, prefix: str) -> None:
    due = DueDate.objects.filter(vehicle=shop.people.second_van).get()
    for number in range(MORE):
        order = drafted(shop, f"{prefix}-{number}")
        van = order.vehicle
        due.pk, due.vehicle, due.beyond_by_reading = None, van, number % 2 == 0
        due.save()
        if number % 2 == 0:
            progress.release(shop.actor(shop.people.supervisor), order.pk)
        Escalation.objects.create(
            vehicle=van, service=shop.oil, stage="supervisor", since_on=depots_day()
        )
        seen = findings.Report(
            vehicle=van,
            kind=Finding.Kind.LEAK,
            severity=Finding.Severity.BEFORE_USE,  # and so the vehicle is not to be used
            text="drips",
            client_key=f"{prefix}-finding-{number}",
        )
        findings.report(shop.actor(shop.people.mechanic), seen)


def asked(client: Client, page: str) -> int:
    client.get(f"/{page}")  # what a first visit notes is noted
    with CaptureQueriesContext(connection) as queries:
        assert client.get(f"/{page}").status_code == 200
    return len(queries)


def test_a_list_asks_at_most_ten_times_at_any_size(
    busy: Workshop, signed_in: SignedIn, subtests: pytest.Subtests
) -> None:
    client = signed_in(busy.people.supervisor)
    few = {page: asked(client, page) for page in LISTS}
    more_vehicles(busy, "B")
    for page in LISTS:
        with subtests.test(page):
            assert asked(client, page) == few[page] <= MOST


def more_rows(shop: Workshop, prefix: str) -> None:
    """More of what the pages of one vehicle, of its order and of the stores show."""
    more_vehicles(shop, prefix)
    van, order = shop.people.van, shop.order
    actor = shop.actor(shop.people.mechanic)
    for number in range(MORE):
        key = f"{prefix}-row-{number}"
        seen = findings.Report(
            vehicle=van,
            kind=Finding.Kind.LEAK,
            severity=Finding.Severity.BEFORE_USE,
            text="drips",
            client_key=f"{key}-finding",
            order=order,
        )
        findings.report(actor, seen)
        service = Service.objects.create(
            vehicle_type=van.vehicle_type,
            compartment=shop.oil.compartment,
            slug=key.lower(),
            name=key,
            kind=Service.Kind.CHECK,
            source=INVENTED,
        )
        Job.objects.create(order=order, vehicle=van, service=service, title=key)
        _to_order(key.lower(), shop)


def _to_order(slug: str, shop: Workshop) -> None:
    """An item that stores keep, need and should order."""
    item, today = shelf.item(slug), depots_day()
    shelf.stock(item, shop.people.plain)
    own = {"item": item, "depot": shop.people.plain}
    MonthlyDemand.objects.create(
        **own, month_on=today.replace(day=1), mean=900, p50=900, p80=950, p95=990
    )
    OrderProposal.objects.create(
        **own,
        pack=item.packs.get(),
        packs=1,
        quantity=1000,
        needed=990,
        on_hand=0,
        on_order=0,
        order_by_on=today,
    )


def test_a_page_of_many_things_asks_as_often_for_few_rows_as_for_many(
    busy: Workshop, signed_in: SignedIn, subtests: pytest.Subtests
) -> None:
    client = signed_in(busy.people.supervisor)
    addresses = [page.format(order=busy.order.number) for page in DETAILS]
    more_rows(busy, "C")
    few = {address: asked(client, address) for address in addresses}
    more_rows(busy, "D")
    for address in addresses:
        with subtests.test(address):
            assert asked(client, address) == few[address]
