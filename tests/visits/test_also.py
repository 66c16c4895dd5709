"""What a vehicle that comes in for anything could have done as well."""

from datetime import timedelta

import pytest

from fleet.people.actor import Actor
from fleet.visits import other_work
from fleet.visits import plan as plans
from fleet.visits.also import Beside, also, beside, beside_order, beside_orders
from fleet.visits.other_work import Given
from fleet.workorders.elsewhere import Here
from fleet.workorders.models import Job, WorkOrder
from tests import scene
from tests.scene import NOW
from tests.visits.depot import TODAY, fleet

pytestmark = pytest.mark.django_db
TOW_BAR = Given("other", "Fit a tow bar", 60)
FIXED = Given("other", "Another day", 60, fixed_on=TODAY + timedelta(days=9))


def test_what_is_due_or_early_and_on_no_order_stands_beside_an_order(chief: Actor) -> None:
    # half the interval of 200 days is used where it is due in 100; early from 85 % on (0.15)
    (van,) = fleet({"V-1": (-5, 100)})
    work = other_work.enter(chief, van, TOW_BAR)
    other_work.enter(chief, van, FIXED)
    assert also([van.pk], TODAY) == {van.pk: ["Gearbox oil", "Fit a tow bar"]}
    order = WorkOrder.objects.create(number="W-1", vehicle=van, depot=van.depot)
    Job.objects.create(order=order, vehicle=van, title="Wash", minutes=5)
    assert beside_order(order, NOW) == ["Gearbox oil", "Fit a tow bar"]
    here = Here(order.pk, van.pk, order.state, van.depot.zone)
    assert beside_orders([here], TODAY, [van.depot]) == {
        order.pk: Beside(["Gearbox oil", "Fit a tow bar"], ())
    }
    work.job = Job.objects.create(order=order, vehicle=van, title="Fit a tow bar", minutes=60)
    work.save()
    assert beside_order(order, NOW) == ["Gearbox oil"]
    order.state = WorkOrder.State.FINISHED
    assert beside_order(order, NOW) == []


def test_a_visit_tells_what_it_does_not_do(chief: Actor) -> None:
    (van,) = fleet({"V-1": (-5,)})
    other_work.enter(chief, van, FIXED)
    (found,) = plans.plan([scene.depot().pk], TODAY)
    visit = found.visits.order_by("on")[0]
    assert beside(visit, TODAY) == []
    other_work.enter(chief, van, TOW_BAR)
    assert beside(visit, TODAY) == ["Fit a tow bar"]
