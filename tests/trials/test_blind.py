"""Whoever was shown what is in a vehicle of a blinded trial is noted, and for nothing else."""

import pytest

from fleet.trials.blind import orders_shown, to_rate
from fleet.trials.models import Unblinded
from fleet.workorders.models import Job, WorkOrder
from tests.scene import NOW, service
from tests.trials.field import begun, person

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("kind", "noted"), [("gearbox", 1), ("engine", 0)])
def test_an_order_unblinds_only_by_the_compartment_of_the_trial(kind: str, noted: int) -> None:
    field = begun(2)
    place = field.places[0]
    rater = person("Rana", "mechanic", place.vehicle.depot)  # type: ignore[arg-type]
    order = WorkOrder.objects.create(number="W-1", vehicle=place.vehicle, depot=place.vehicle.depot)
    Job.objects.create(
        order=order, vehicle=place.vehicle, service=service(kind, km=None, duty_class="severe"),
        title="Oil", minutes=30,
    )  # fmt: skip
    assert orders_shown(rater, [order.pk], "job card", NOW) == noted
    assert Unblinded.objects.filter(person=rater, trial_vehicle=place).count() == noted
    assert to_rate(rater, field.trial).count() == 2 - noted
