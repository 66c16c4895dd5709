"""What unplanned work took of a workshop's minutes lately, told beside what is kept for it."""

from datetime import timedelta

import pytest
import time_machine
from django.test import Client

from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.visits import plan as plans
from fleet.visits.models import Mechanic
from fleet.visits.publish import BY_PLAN
from fleet.visits.unplanned import unplanned
from fleet.workorders.models import OrderEvent, WorkOrder
from tests import scene
from tests.cast import person
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def van() -> Vehicle:
    """Somebody is there 100 minutes on five days a week: 6,000 in twelve weeks."""
    Mechanic.objects.create(depot=scene.depot(), name="Ada", minutes=100, source="invented")
    return scene.van()


def orders(
    van: Vehicle, count: int, *, drafted_d: int = 0, minutes: int = 30, days_ago: int = 3,
    who: Person | None = None, reason: str = "",
) -> None:  # fmt: skip
    """Orders begun at nine some days ago, drafted an hour before or days earlier."""
    by = who or person(f"Case {WorkOrder.objects.count()}", Role.SUPERVISOR, van.depot)
    begun = scene.NOW - days_ago * DAY
    for _ in range(count):
        made = WorkOrder.objects.create(
            number=f"W-{WorkOrder.objects.count()}", vehicle=van, depot=van.depot,
            started_at=begun, finished_at=begun + timedelta(minutes=minutes + 5), waited_s=300,
            state=WorkOrder.State.FINISHED,
        )  # fmt: skip
        OrderEvent.objects.create(
            order=made, what="draft", to_state="drafted", person=by, channel="page",
            performed_at=begun - drafted_d * DAY - timedelta(hours=1), reason=reason,
        )  # fmt: skip


def test_work_that_came_in_the_same_day_is_held_against_the_minutes_there_were(
    van: Vehicle,
) -> None:
    orders(van, 10)
    orders(van, 15, drafted_d=2)
    told = unplanned(van.depot, TODAY)
    assert told is not None
    # by hand: ten times half an hour of 6,000 minutes; five minutes of each were waited
    assert (told.share, told.orders, told.of) == (pytest.approx(0.05), 10, 25)


def test_what_the_plan_or_the_night_drafted_was_planned(van: Vehicle) -> None:
    orders(van, 10, reason=BY_PLAN)
    orders(van, 10)
    OrderEvent.objects.filter(order__number__in=["W-10", "W-11"]).update(person=None)
    told = unplanned(van.depot, TODAY)
    assert told is not None
    assert (told.orders, told.of) == (8, 20)


def test_a_night_is_no_work(van: Vehicle) -> None:
    orders(van, 20, minutes=20 * 60)
    told = unplanned(van.depot, TODAY)
    assert told is not None
    assert (told.share, told.orders) == (0, 0)


def test_few_orders_old_ones_and_nobody_there_tell_nothing(van: Vehicle) -> None:
    orders(van, 19)
    orders(van, 5, days_ago=90)
    assert unplanned(van.depot, TODAY) is None
    orders(van, 1)
    assert unplanned(van.depot, TODAY) is not None
    Mechanic.objects.all().delete()
    assert unplanned(van.depot, TODAY) is None


def test_it_is_kept_with_the_plan_and_shown(van: Vehicle) -> None:
    fleet({"V-2": (10,)})
    chief = person("Sura", Role.SUPERVISOR, van.depot)
    orders(van, 20, who=chief)
    with time_machine.travel(scene.NOW, tick=False):
        plans.plan([van.depot_id], TODAY)
        client = Client()
        client.force_login(chief)
        (row,) = client.get("/api/v1/plan").json()["rows"]
        shown = client.get("/workshop-days?depot=plain").content.decode()
    assert row["unplanned"] == {"share": pytest.approx(0.1), "orders": 20, "of": 20}
    assert (
        "In the 12 weeks before this plan, work that was drafted on the day it began took "
        "10\u202f% (20 of 20 orders)."
    ) in shown
