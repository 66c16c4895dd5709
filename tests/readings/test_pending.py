"""What waits for a verdict, and whether it came after what was accepted."""

from datetime import timedelta

import pytest

from fleet import chain
from fleet.readings.models import Reading
from fleet.readings.pending import pending
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("later_s", "late"), [(-1, True), (0, False), (1, False)])
def test_what_is_older_than_the_last_accepted_reading_is_late(later_s: int, late: bool) -> None:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 8))
    chain.refresh([vehicle.pk], NOW)
    last = Reading.objects.latest("taken_at")
    at = last.taken_at + timedelta(seconds=later_s)
    scene.readings(vehicle, [last.value + 1], until=at)
    found = pending()
    assert (found.meter_id.tolist(), found.late.tolist()) == ([last.meter_id], [late])
    assert found.span() == (at, at)
    assert len(found.onwards().meter_id) == (not late)
