"""Plans, promises and bays as they are listed."""

from copy import copy
from datetime import UTC, datetime, time, timedelta

import pytest
from django.utils import timezone

from fleet.people.actor import Actor
from fleet.visits.listing import bays_of, days_for_orders, promise_rows, service_rows
from fleet.visits.models import Bay, Promise, Visit
from fleet.visits.promises import promise
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.visits.depot import fleet, planned

pytestmark = pytest.mark.django_db


def one_visit() -> Visit:
    fleet({"V-1": (20,)})
    return planned().visits.get()


def test_promises_that_ended_lately_are_listed_and_one_alone_where_it_is_named(
    chief: Actor,
) -> None:
    visit = one_visit()
    stands = promise(chief, visit.plan_id, visit.pk, told_to="The driver")
    ended = []
    for days in (89, 91):  # our choice: of ninety days
        ended.append(copy(stands))
        ended[-1].pk, ended[-1].ending = None, Promise.Ending.KEPT
        ended[-1].ended_at = timezone.now() - timedelta(days=days)
        ended[-1].save()
    here = [stands.depot]
    assert [row.id for row in promise_rows(here)] == [stands.pk, ended[0].pk]
    assert [(row.id, row.ending) for row in promise_rows(here, ended[0].pk)] == [
        (ended[0].pk, "kept")
    ]
    assert promise_rows([scene.depot("far")], stands.pk) == []


def test_a_service_is_listed_with_the_bay_and_the_mechanic_of_its_visit() -> None:
    visit = one_visit()
    Visit.objects.update(bay="Pit", mechanic="Mika")
    (row,) = service_rows(visit.plan)
    assert (row.visit, row.on, row.bay, row.mechanic) == (visit.pk, visit.on, "Pit", "Mika")


def test_what_is_left_out_is_listed_last() -> None:
    fleet({"V-1": (20,), "V-2": (20,)})
    found = planned()
    found.services.filter(vehicle__fleet_number="V-1").update(visit=None)
    assert [(row.vehicle, row.on is None) for row in service_rows(found)] == [
        ("V-2", False),
        ("V-1", True),
    ]


@pytest.mark.parametrize(("after_d", "still"), [(0, True), (1, False)])
def test_the_day_of_an_order_is_one_to_come_and_today_is(after_d: int, still: bool) -> None:
    visit = one_visit()
    order = WorkOrder.objects.create(number="W-1", vehicle=visit.vehicle, depot=scene.depot())
    of = visit.services.get().service
    Job.objects.create(order=order, vehicle=visit.vehicle, service=of, title="Oil")
    now = datetime.combine(visit.on + timedelta(days=after_d), time(9), UTC)
    assert days_for_orders([order], now) == ({order.pk: visit.on} if still else {})


def test_bays_are_named_in_order() -> None:
    here = scene.depot()
    for name, depot in (("Pit", here), ("Lift", here), ("Yard", scene.depot("far"))):
        Bay.objects.create(depot=depot, name=name)
    assert bays_of(here) == ["Lift", "Pit"]
