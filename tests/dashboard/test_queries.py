"""No list asks the database more often where the fleet is larger, nor more than ten times."""

from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.due.models import DueDate
from fleet.people.models import Person
from fleet.workorders import findings, progress
from fleet.workorders.models import Escalation, Finding
from tests.cast import depots_day
from tests.dashboard.test_work_orders import came_back, drafted
from tests.dashboard.workshop import Workshop
from tests.kept import kept

SignedIn = Callable[[Person], Client]
MOST, MORE = 10, 6
LISTS = (
    *("overview", "due", "due?group=week", "due?from=2026-01-01&group=depot", "work-orders"),
    *("work-orders?decide=open", "work-orders?sort=day", "workshop-days", "todays-orders"),
    *("readings", "field-trials", "stock", "runs", "method", "people-and-tokens"),
    *("baselines", "costs", "climate", "api-reference"),
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


@pytest.mark.parametrize("page", LISTS)
def test_a_list_asks_at_most_ten_times_at_any_size(
    page: str, busy: Workshop, signed_in: SignedIn
) -> None:
    client = signed_in(busy.people.supervisor)
    few = asked(client, page)
    more_vehicles(busy, "B")
    assert asked(client, page) == few
    assert few <= MOST
