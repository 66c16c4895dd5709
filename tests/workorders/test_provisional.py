from datetime import timedelta

import pytest

from fleet import chain
from fleet.due.models import DueDate, ServiceDone
from fleet.readings.models import Reading
from fleet.readings.settle import settle
from fleet.workorders import ending, progress
from tests.scene import NOW
from tests.workorders.conftest import Bay

pytestmark = pytest.mark.django_db


def test_settling_the_odometer_settles_the_service_it_was_given_for(bay: Bay) -> None:
    order = bay.order()
    progress.release(bay.actor(), order.pk)
    mechanic = bay.actor(bay.mechanic)
    progress.start(mechanic, order.pk)
    progress.end_job(mechanic, order.jobs.get().pk, state="done")
    ending.finish(mechanic, order.pk, odometer=233_350, fit_for_use="yes")
    chain.refresh([bay.van.pk], NOW)
    assert DueDate.objects.get().provisional
    odd = Reading.objects.get(value=233_350)
    settle(
        reading_id=odd.pk,
        action="accept suggestion",
        person=bay.supervisor,
        reason="a digit too many",
        value=23_335,
        channel="test",
    )
    chain.refresh([bay.van.pk], NOW + timedelta(hours=1))
    newest = ServiceDone.objects.latest("pk")
    assert (newest.total_km, newest.provisional, newest.supersedes.provisional) == (
        *(23_335, False, True),
    )
    row = DueDate.objects.get()
    assert (row.provisional, row.remaining_km) == (False, 20_000)
