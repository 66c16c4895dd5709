"""One reading more for a vehicle with a long history: what it takes must not grow with that.

A reading that comes very late costs what was read after it, and no more.
"""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import count

import numpy as np

from fleet import chain
from fleet.calc.arrays import Array
from fleet.readings import judge
from fleet.readings.models import Reading, Source, Verdict
from fleet.readings.settle import settle
from fleet.usage import measure, rates
from tests.bench import fleet
from tests.bench.measure import best, report
from tests.bench.night import analyze, empty

SHORTEST = 1_000
HOURLY_KM = 4.0
LAST_AT = datetime(2026, 6, 28, 12, tzinfo=UTC)
NOW = LAST_AT + timedelta(days=60)
JUMP_KM = 5_000.0  # more than a vehicle can cover
TIMES = 3
NUDGES_KM = count(1.5, 0.001)  # so that no correction repeats one


def run(readings: int) -> None:
    """Compare vehicles with a thousand hourly readings and with many more."""
    readings = max(readings, 10 * SHORTEST)  # closer lengths tell nothing of how it grows
    empty()
    lengths = [SHORTEST, readings]
    fleet.build(len(lengths), 0)
    for vehicle, length in enumerate(lengths, start=1):
        _histories(vehicle, length)
    analyze()
    ids = np.arange(1, len(lengths) + 1)
    judge.judge(ids, NOW, rates.start_rates)
    measure.advance(ids)
    for vehicle in ids.tolist():
        chain.refresh([vehicle], NOW)
    analyze()
    for name, work in WORK.items():
        _compare(name, work, ids, readings, 0.1)
    _replayed(ids, readings)


def _compare(
    name: str, work: Callable[[int], None], ids: Array, readings: int, mark: float
) -> list[float]:
    """CPU seconds with the short history and with the long one."""
    took = [best(lambda v=vehicle: work(v), TIMES).cpu_s for vehicle in ids.tolist()]
    exponent = math.log(took[1] / took[0]) / math.log(readings / SHORTEST)
    report(f"{name}, exponent by history", exponent, mark, "")
    print(f"      {took[0]:.3f} s CPU with {SHORTEST:,}, {took[1]:.3f} s with {readings:,}")
    return took


def _replayed(ids: Array, readings: int) -> None:
    """Readings at the end, in the middle and at the beginning of the long history."""
    end = best(lambda: _late_by(72)(2), TIMES).cpu_s
    middle, beginning = (
        _compare(name, _late_after(share), ids, readings, 1.05)[1]
        for name, share in (("a reading in the middle", 0.5), ("a reading at the beginning", 0.0))
    )
    report("middle against beginning", middle / beginning, 0.65)
    print(f"      end {end:.3f} s CPU, middle {middle:.3f} s, beginning {beginning:.3f} s")


def _histories(vehicle: int, length: int) -> None:
    rng = np.random.default_rng(vehicle)
    km = np.round(10_000 + np.cumsum(HOURLY_KM * rng.gamma(4, 0.25, length)), 1)
    hours = np.arange(length)[::-1].astype("m8[h]")
    at = np.datetime64(LAST_AT.replace(tzinfo=None), "s") - hours
    fleet._insert_readings(np.full(length, vehicle), at, km)


def _newest(vehicle: int, skipped: int = 0) -> Reading:
    known = Reading.objects.filter(meter=vehicle, verdict=Verdict.ACCEPTED)
    return known.order_by("-taken_at")[skipped]


def _come_in(vehicle: int, at: datetime, km: float) -> Reading:
    row = Reading.objects.create(
        vehicle_id=vehicle,
        meter_id=vehicle,
        taken_at=at,
        value=km,
        meter_value=km,
        unit="km",
        source=Source.SHEET,
    )
    chain.refresh([vehicle], NOW)
    row.refresh_from_db()
    return row


def _in_order(vehicle: int) -> None:
    last = _newest(vehicle)
    row = _come_in(vehicle, last.taken_at + timedelta(hours=1), last.value + HOURLY_KM)
    assert row.verdict == Verdict.ACCEPTED


def _late_by(readings: int) -> Callable[[int], None]:
    def late(vehicle: int) -> None:
        one, two = _newest(vehicle, readings), _newest(vehicle, readings - 1)
        half = (two.taken_at - one.taken_at) / 2
        row = _come_in(vehicle, one.taken_at + half, (one.value + two.value) / 2)
        assert row.verdict == Verdict.ACCEPTED

    return late


def _late_after(share: float) -> Callable[[int], None]:
    """A reading late by all that follows a share of the history."""

    def late(vehicle: int) -> None:
        known = Reading.objects.filter(meter=vehicle, verdict=Verdict.ACCEPTED)
        at = int(share * known.count()) + 100  # within the first memories that were kept
        two, one = known.order_by("taken_at")[at], known.order_by("taken_at")[at - 1]
        half = (two.taken_at - one.taken_at) / 2
        row = _come_in(vehicle, one.taken_at + half, (one.value + two.value) / 2)
        assert row.verdict == Verdict.ACCEPTED

    return late


def _look_back(vehicle: int) -> None:
    """A class is looked at as of two weeks ago."""
    meters = rates._gather_sums("km")
    rows = np.flatnonzero(meters["id"] == vehicle)
    end_d = np.floor(meters["last_at_d"][rows[0]]) - 14
    rates._rewind(meters, rows, end_d)


def _after_held(vehicle: int) -> None:
    last = _newest(vehicle)
    odd = _come_in(vehicle, last.taken_at + timedelta(hours=1), last.value + JUMP_KM)
    assert odd.verdict != Verdict.ACCEPTED
    _come_in(vehicle, last.taken_at + timedelta(hours=2), last.value + 2 * HOURLY_KM)


def _settle(vehicle: int) -> None:
    last = _newest(vehicle)
    odd = _come_in(vehicle, last.taken_at + timedelta(hours=1), last.value + JUMP_KM)
    settle(
        reading_id=odd.pk,
        action="accept suggestion",
        value=last.value + HOURLY_KM,
        person=None,
        reason="seen",
        override_reason="seen",
        channel="bench",
    )
    chain.refresh([vehicle], NOW)


def _corrected(vehicle: int) -> None:
    one = _newest(vehicle, 24)
    _come_in(vehicle, one.taken_at, round(one.value + next(NUDGES_KM), 3))


WORK: dict[str, Callable[[int], None]] = {
    "a reading in order": _in_order,
    "a reading three days late": _late_by(72),
    "a reading three weeks late": _late_by(504),
    "a reading after a held one": _after_held,
    "a held reading settled": _settle,
    "a duplicate with another value": _corrected,
    "a month end looked back at": _look_back,
}
