"""Totals at month beginnings, kept only between the first and the last reading of their meter."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleet import chain
from fleet.usage.measure import _drop_stale_totals
from fleet.usage.models import KmAt, UsageState
from fleet.vehicles.models import Meter
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db
FIRST_ON, LAST_ON = date(2026, 3, 1), date(2026, 5, 1)  # midnights, whole days since 1970
DAYS = [*(FIRST_ON + timedelta(days=at) for at in (-1, 0, 1)), LAST_ON, LAST_ON + timedelta(days=1)]


def test_totals_outside_what_a_state_rests_on_are_forgotten_of_the_meters_asked() -> None:
    """None stands before the first reading or at it, and none after the last."""
    meters = []
    for number in ("V-1", "V-2"):
        scene.readings(van := scene.van(number), [1_000, 2_000, 3_000])
        chain.refresh([van.pk], NOW)
        meters.append(Meter.objects.get(vehicle=van, kind="km").pk)
    first_d, last_d = ((day - date(1970, 1, 1)).days for day in (FIRST_ON, LAST_ON))
    UsageState.objects.filter(meter=meters[0]).update(first_at_d=first_d, last_at_d=last_d)
    UsageState.objects.filter(meter=meters[1]).update(first_at_d=last_d, last_at_d=last_d)
    KmAt.objects.all().delete()
    KmAt.objects.bulk_create(KmAt(meter_id=pk, on=on, total=1) for pk in meters for on in DAYS)
    _drop_stale_totals(np.array(meters[:1]))
    kept = [list(KmAt.objects.filter(meter=pk).values_list("on", flat=True)) for pk in meters]
    assert [sorted(days) for days in kept] == [DAYS[2:4], DAYS]
