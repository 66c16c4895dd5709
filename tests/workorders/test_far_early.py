"""Work far from due: outside its early window, and months before it falls due."""

from datetime import date, timedelta

import pytest

from fleet.due.models import DueDate
from fleet.vehicles.models import Vehicle
from fleet.workorders.far_early import FarEarly, far_early
from fleet.workorders.models import Finding, Job, WorkOrder
from tests import scene
from tests.scene import NOW
from tests.visits.depot import TODAY, due_on

pytestmark = pytest.mark.django_db


def order(due_in_d: int, used: float | None) -> WorkOrder:
    """Of gearbox oil that is expected to fall due in so many days, with a share of life used."""
    van, service = scene.van(), scene.service("gearbox")
    row = due_on(van, service, ahead(due_in_d))
    DueDate.objects.filter(pk=row.pk).update(meter_life=used)
    made = WorkOrder.objects.create(number="W-1", vehicle=van, depot=van.depot)
    Job.objects.create(order=made, vehicle=van, service=service, title="Gearbox oil")
    return made


def ahead(days: int) -> date:
    return TODAY + timedelta(days=days)


@pytest.mark.parametrize(
    ("due_in_d", "used", "done_in_d", "early_d"),
    [
        (828, 0.5, 0, 828),
        (828, 0.5, 400, 428),  # 0.5 x 428 / 828 = 26 % of its interval are left, more than 15
        (828, 0.5, 590, None),  # 0.5 x 238 / 828 = 14 %: within its early window
        (90, 0.5, 0, 90),
        (89, 0.5, 0, None),  # at most three months
        (300, None, 0, 300),  # of what has no interval, the months alone
        (828, 0.5, -30, 828),  # a day that has passed: it would be done today
    ],
)
def test_far_is_outside_the_early_window_and_months_ahead(
    due_in_d: int, used: float | None, done_in_d: int, early_d: int | None
) -> None:
    made = order(due_in_d, used)
    done_on = ahead(max(done_in_d, 0))
    said = [FarEarly("Gearbox oil", ahead(due_in_d), done_on)] if early_d else None
    found = far_early({made: ahead(done_in_d)}, NOW).get(made.pk)
    assert (found, [one.early_d for one in found or []]) == (said, [early_d] if early_d else [])


def test_what_has_no_date_is_done_or_follows_a_finding_is_not_too_early() -> None:
    made = order(828, 0.5)
    assert far_early({made: TODAY}, NOW)
    finding = Finding.objects.create(
        vehicle=made.vehicle, kind="other", severity=Finding.Severity.values[-1], performed_at=NOW
    )
    made.follows = finding
    assert far_early({made: TODAY}, NOW) == {}
    made.follows = None
    DueDate.objects.update(history_known=False)
    assert far_early({made: TODAY}, NOW) == {}
    DueDate.objects.update(history_known=True, p50=None)
    assert far_early({made: TODAY}, NOW) == {}
    DueDate.objects.update(p50=ahead(828))
    Job.objects.update(state=Job.State.DONE)
    assert far_early({made: TODAY}, NOW) == {}


def test_another_vehicles_date_is_no_matter() -> None:
    made = order(30, 0.9)
    due_on(scene.van("V-2"), scene.service("engine"), ahead(900))
    assert far_early({made: TODAY}, NOW) == {}
    assert Vehicle.objects.count() == 2
