"""Which readings wait for a verdict, and what is written of it."""

from datetime import timedelta

import numpy as np
import pytest
from django.db.models import F

from fleet.readings import judge, labels
from fleet.readings.models import Reading, Verdict
from fleet.readings.pending import pending
from fleet.usage import rates
from fleet.vehicles.models import Meter, MeterChange, Vehicle
from tests import scene
from tests.kept import kept
from tests.scene import NOW

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@kept
def vans() -> list[Vehicle]:
    """Three vans, each with three weekly readings that nobody judged yet."""
    found = [scene.van(f"L-{number}") for number in (1, 2, 3)]
    for van in found:
        scene.readings(van, scene.steady(10_000, 700, 3))
    return found


def judged(meters: slice = slice(None)) -> list[int]:
    ids = list(Meter.objects.order_by("pk").values_list("pk", flat=True))
    judge.judge(np.array(ids[meters]), NOW, rates.start_rates)
    return ids


def test_what_waits_is_late_if_it_is_older_than_what_was_accepted(vans: list[Vehicle]) -> None:
    first, last = NOW - 14 * DAY, NOW
    assert (pending().late.tolist(), pending().span()) == ([False] * 3, (first, last))
    ids = judged(slice(2))
    scene.readings(vans[0], [11_300], until=last - DAY)
    scene.readings(vans[1], [11_500], until=last + DAY)
    found = pending()
    assert (found.meter_id.tolist(), found.late.tolist()) == (ids, [True, False, False])
    onwards = found.onwards()
    assert (onwards.meter_id.tolist(), onwards.late.any()) == (ids[1:], False)
    assert onwards.span() == (first, last + DAY)
    assert pending(np.array([vans[0].pk])).span() == (last - DAY, last - DAY)
    assert pending(np.array([0])).span() == (None, None)


def test_a_total_is_what_was_read_or_settled_and_an_offset_counts(vans: list[Vehicle]) -> None:
    settled, moved, plain = vans
    newest = Reading.objects.filter(vehicle=settled).latest("taken_at")
    Reading.objects.filter(pk=newest.pk).update(settled_value=11_400.5)
    meter = moved.meters.get()
    MeterChange.objects.create(meter=meter, from_at=NOW - 900 * DAY, offset=250, note="new")
    judged()
    read = F("meter_value")
    accepted = Reading.objects.filter(verdict=Verdict.ACCEPTED)
    assert accepted.filter(vehicle=plain, total=read).count() == 3
    assert accepted.filter(vehicle=moved, total=read + 250).count() == 3
    assert accepted.filter(vehicle=settled, total=read).count() == 2
    newest.refresh_from_db()
    assert (newest.verdict, newest.total) == (Verdict.ACCEPTED, 11_400.5)


@pytest.mark.parametrize(
    ("one", "other", "differs"),
    [
        (np.nan, np.nan, False),
        (np.nan, 1.0, True),
        (1.0, np.nan, True),
        (1.0, 1.0, False),
        (1.0, 1.5, True),
    ],
)
def test_two_unknown_figures_are_alike(one: float, other: float, differs: bool) -> None:
    rows = {"id": np.array([7]), "total": np.array([one]), "verdict": np.array(["a"], object)}
    new = {"id": np.array([7]), "total": np.array([other]), "verdict": np.array(["a"], object)}
    assert labels.differs(rows, new).tolist() == [differs]
    assert labels.differs(rows, new | {"verdict": np.array(["b"], object)}).tolist() == [True]
