"""Seeded meter readings with faults, invented for the tests."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fleet.calc.verdicts import REASONS, Batch, Judgement, Memory, judge

START_D = 20_000.5
NOW_D = 30_000.0
MILE_KM = 1.609344
FAULTS = (
    "digits_swapped", "miles_for_km", "last_digit_lost", "leading_digit_lost", "extra_digit",
    "wrong_digit", "rolled_back", "noted_late", "new_meter", "jump",
)  # fmt: skip
LASTING = {"rolled_back", "new_meter", "jump"}


@dataclass
class Fleet:
    """Meters read week by week: moments [d] and values [km] of shape (meters, readings)."""

    at_d: np.ndarray
    km: np.ndarray
    rate_km_per_day: np.ndarray
    fault: np.ndarray  # "" or the fault put into a reading
    error_km: np.ndarray  # how far the fault moved the value

    def batch(self) -> Batch:
        meters, each = self.km.shape
        start = np.arange(meters + 1) * each
        return Batch.of(start, np.arange(self.km.size), self.at_d.ravel(), self.km.ravel())

    def memory(self) -> Memory:
        return Memory.start(len(self.km), 100.0, 0.4, 900.0)


def clean_fleet(meters: int, readings: int, seed: int) -> Fleet:
    """Return meters with a rate of 50 to 201 km/day, read every 5 to 9 days."""
    rng = np.random.default_rng(seed)
    rate = 100 * np.exp(np.clip(rng.normal(0, 0.35, meters), -0.7, 0.7))
    dt_d = rng.integers(5, 10, (meters, readings)) + rng.uniform(-0.1, 0.1, (meters, readings))
    wild = rng.gamma(8.0, 1 / 8.0, (meters, readings))
    km = rng.uniform(500, 180_000, meters)[:, None] + np.cumsum(rate[:, None] * dt_d * wild, 1)
    shape = (meters, readings)
    none = np.full(shape, "", dtype=object)
    return Fleet(START_D + np.cumsum(dt_d, 1), np.round(km), rate, none, np.zeros(shape))


def dirty_fleet(
    meters: int, readings: int, seed: int, share: float = 0.05, faults: tuple[str, ...] = FAULTS
) -> Fleet:
    """Return a clean fleet with faults in equal parts from the second reading on."""
    fleet = clean_fleet(meters, readings, seed)
    rng = np.random.default_rng(seed + 1)
    km, fault, error_km = fleet.km.copy(), fleet.fault.copy(), fleet.error_km.copy()
    shift_km = np.zeros(meters)
    for k in range(readings):
        km[:, k] += shift_km
        for row in np.flatnonzero(rng.random(meters) < share) if k else ():
            kind = str(rng.choice(faults))
            given = spoilt(kind, km[row, k], km[row, k - 1], rng)
            fault[row, k] = kind if given != km[row, k] else ""
            error_km[row, k] = abs(given - km[row, k])
            if kind in LASTING:
                shift_km[row] += given - km[row, k]
            km[row, k] = given
    return replace(fleet, km=km, fault=fault, error_km=error_km)


def spoilt(kind: str, km: float, before_km: float, rng: np.random.Generator) -> float:
    """Return a value as a fault would give it."""
    digits = list(str(int(km)))
    if kind == "digits_swapped" and len(digits) > 1:
        i = int(rng.integers(len(digits) - 1))
        digits[i], digits[i + 1] = digits[i + 1], digits[i]
    if kind == "wrong_digit":
        digits[int(rng.integers(len(digits)))] = str(rng.integers(10))
    by_rule = {
        "miles_for_km": round(km / MILE_KM),
        "last_digit_lost": km // 10,
        "leading_digit_lost": km % 10 ** max(len(digits) - 1, 1),
        "extra_digit": km * 10 + int(rng.integers(10)),
        "rolled_back": max(0.0, km - round(rng.uniform(0.1, 0.4) * km)),
        "noted_late": max(0.0, before_km - float(rng.integers(20, 200))),
        "new_meter": float(rng.integers(0, 400)),
        "jump": km + float(rng.integers(5_000, 200_000)),
    }
    return float(by_rule.get(kind, float("".join(digits))))


def memory_of_one(
    rate: float = 100.0, spread: float = 0.4, top: float = 900.0, grain: float = 1.0
) -> Memory:
    """Return the memory of one meter that was never read."""
    return Memory.start(1, rate, spread, top, grain)


def judge_days(
    days: Sequence[float], values: Sequence[float], memory: Memory | None = None, **more: object
) -> Judgement:
    """Judge readings of one meter taken so many days after the start; ids count from 0."""
    at_d = START_D + np.asarray(days, dtype=float)
    ids = np.arange(len(days))
    batch = Batch.of([0, len(days)], ids, at_d, values, **more)  # type: ignore[arg-type]
    return judge(memory_of_one() if memory is None else memory, batch, NOW_D)


def words(found: Judgement) -> list[str]:
    """Return the reasons in words."""
    return [REASONS[code] for code in found.reason]
