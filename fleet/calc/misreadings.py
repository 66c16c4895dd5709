"""Faults as people make them, put into clean meter readings to see whether they are noticed.

The kinds are those that the verdicts explain. Everything is drawn from a seed; shares and sizes
are our choice unless another source is named.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import KM_PER_MILE, BoolArray, FloatArray
from fleet.calc.usage import Events

ObjectArray = NDArray[np.object_]
Rng = np.random.Generator

SINGLE_SHARE = 0.05  # of readings, in equal parts of all kinds
BREAKS_PER_YEAR = 0.1  # per vehicle
BACK_DATED_SHARE = 0.05
LASTING = ("rolled_back", "new_meter", "jump")


@dataclass(frozen=True)
class Spoilt:
    """Readings as given; every field has one entry per reading."""

    value_km: FloatArray
    kind: ObjectArray  # fault in it, "" for none
    off_km: FloatArray  # how far the fault moved it [km]
    shifted: BoolArray  # counted from elsewhere since an earlier break
    late: BoolArray  # entered after a later reading


@dataclass(frozen=True)
class Given:
    """A reading as it would be typed: whole units."""

    number: int
    before: int  # the reading before it
    unit_km: float


def single_faults(events: Events, unit_km: FloatArray, seed: int) -> Spoilt:
    """Spoil 5 % of the readings after each meter's first one, each by itself."""
    rng = np.random.default_rng(seed)
    hit = ~_first(events) & (rng.random(events.km.size) < SINGLE_SHARE)
    return _spoilt(events, unit_km, hit, rng)


def back_dated(events: Events, unit_km: FloatArray, seed: int) -> Spoilt:
    """Enter 5 % of the readings after their successor, every second one with a fault."""
    rng = np.random.default_rng(seed)
    last = np.zeros(events.km.size, dtype=np.bool_)
    last[events.offsets[1:][np.diff(events.offsets) > 0] - 1] = True
    late = ~_first(events) & ~last & (rng.random(events.km.size) < BACK_DATED_SHARE)
    faulty = late & (rng.random(events.km.size) < 0.5)
    found = _spoilt(events, unit_km, faulty, rng)
    return Spoilt(found.value_km, found.kind, found.off_km, found.shifted, late)


def lasting_breaks(events: Events, unit_km: FloatArray, seed: int) -> Spoilt:
    """Let meters be renewed, rolled back or jump for good, about once in ten years each."""
    rng = np.random.default_rng(seed)
    gap_d = np.diff(events.at_d, prepend=events.at_d[:1])
    hit = ~_first(events) & (rng.random(events.km.size) < BREAKS_PER_YEAR * gap_d / 365.25)
    owner = np.repeat(np.arange(events.offsets.size - 1), np.diff(events.offsets))
    found = _spoilt(events, unit_km, np.zeros_like(hit), rng)
    for at in np.flatnonzero(hit).tolist():
        end = events.offsets[owner[at] + 1]
        kind = LASTING[int(rng.integers(len(LASTING)))]
        given = _given(found.value_km, at, unit_km)
        off_km = FAULTS[kind](given, rng) * given.unit_km - found.value_km[at]
        found.value_km[at:end] += off_km
        found.shifted[at:end] = True
        found.kind[at], found.off_km[at] = kind, abs(off_km)
    return found


def _first(events: Events) -> BoolArray:
    first = np.zeros(events.km.size, dtype=np.bool_)
    first[events.offsets[:-1][np.diff(events.offsets) > 0]] = True
    return first


def _spoilt(events: Events, unit_km: FloatArray, hit: BoolArray, rng: Rng) -> Spoilt:
    kinds = sorted(FAULTS)
    found = Spoilt(
        value_km=events.km.copy(),
        kind=np.full(events.km.size, "", dtype=object),
        off_km=np.zeros(events.km.size),
        shifted=np.zeros(events.km.size, dtype=np.bool_),
        late=np.zeros(events.km.size, dtype=np.bool_),
    )
    for at in np.flatnonzero(hit).tolist():
        kind = kinds[int(rng.integers(len(kinds)))]
        given = _given(events.km, at, unit_km)
        wrong = FAULTS[kind](given, rng)
        if wrong != given.number:
            found.value_km[at] = wrong * given.unit_km
            found.kind[at] = kind
            found.off_km[at] = abs(found.value_km[at] - events.km[at])
    return found


def _given(km: FloatArray, at: int, unit_km: FloatArray) -> Given:
    unit = float(unit_km[at])
    return Given(round(km[at] / unit), round(km[at - 1] / unit), unit)


def _swapped(given: Given, rng: Rng) -> int:
    digits = str(given.number)
    places = [at for at in range(len(digits) - 1) if digits[at] != digits[at + 1]]
    if not places:
        return given.number
    at = places[int(rng.integers(len(places)))]
    return int(digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :])


def _wrong_digit(given: Given, rng: Rng) -> int:
    digits = str(given.number)
    at = int(rng.integers(len(digits)))
    other = (int(digits[at]) + int(rng.integers(1, 10))) % 10
    return int(f"{digits[:at]}{other}{digits[at + 1 :]}")


def _in_the_other_unit(given: Given, _: Rng) -> int:
    return round(given.number * (KM_PER_MILE if given.unit_km > 1 else 1 / KM_PER_MILE))


def _units(km: float, given: Given) -> int:
    return round(km / given.unit_km)


FAULTS: dict[str, Callable[[Given, Rng], int]] = {
    "digits_swapped": _swapped,
    "miles_for_km": _in_the_other_unit,
    "last_digit_lost": lambda given, _: given.number // 10,
    "leading_digit_lost": lambda given, _: given.number % 10 ** (len(str(given.number)) - 1),
    "extra_digit": lambda given, rng: given.number * 10 + int(rng.integers(10)),
    "wrong_digit": _wrong_digit,
    "rolled_back": lambda given, rng: round(given.number * (1 - rng.uniform(0.1, 0.4))),
    "noted_late": lambda given, rng: max(given.before - _units(rng.uniform(20, 200), given), 0),
    "new_meter": lambda given, rng: _units(rng.uniform(0, 400), given),
    "jump": lambda given, rng: given.number + _units(rng.uniform(5_000, 200_000), given),
}
