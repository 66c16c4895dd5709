"""Simulated field trials in which any fresh fluid feels better and slowly wears out.

Knows nothing of the method under test: it only makes ratings with their fluid ages.
"""

from dataclasses import dataclass

import numpy as np

from fleet.calc.trial_cells import Ages, BoolArray, FloatArray, IntArray, band_of, cells, compare
from fleet.calc.trial_inference import Groups, Inference, infer


@dataclass(frozen=True)
class World:
    """How vehicles are used, when their fluid is changed and what raters feel."""

    per_group: int = 7
    interval_km: float = 15_000
    length_d: float = 300
    km_per_day: tuple[float, float] = (60, 120)
    only_b_changed: bool = False
    fresh: float = 1.2  # points at once after a change, gone by and by
    worn: float = 0.8  # points lost from one change to the next
    better: float = 0.0  # B above A at every age
    between_sd: float = 0.6
    within_sd: float = 0.9
    every_d: float = 21
    missing: float = 0.1
    late_b_d: float = 0.0  # after the others, until group B is changed and first rated
    warmth: float = 0.0  # points gained in high summer and lost in deep winter


@dataclass(frozen=True)
class Ratings:
    vehicle: IntArray
    age_km: FloatArray
    age_d: FloatArray
    value: FloatArray
    mean_c: FloatArray  # of the month, on a scale from -1 to 1
    changed_d: FloatArray  # since the start of the trial


def groups_of(world: World) -> Groups:
    in_b = np.arange(2 * world.per_group) >= world.per_group
    return Groups(in_b, np.zeros(in_b.size, np.int64))


def ratings(world: World, in_b: BoolArray, rng: np.random.Generator) -> Ratings:
    at_d = np.arange(world.every_d / 2, world.length_d, world.every_d)
    vehicle, day = (each.ravel() for each in np.indices((in_b.size, at_d.size)))
    rate = rng.uniform(*world.km_per_day, in_b.size)
    old_km = rng.uniform(0, 0.8 * world.interval_km, in_b.size)
    begun_km = np.where(world.only_b_changed & ~in_b, old_km, 0.0)
    when = at_d[day] + rng.uniform(-5, 5, day.size)
    since = when - np.where(in_b, world.late_b_d, 0.0)[vehicle]
    age_km = (begun_km[vehicle] + rate[vehicle] * since) % world.interval_km
    age_d = age_km / rate[vehicle]
    begin = rng.uniform(0, 1) if world.warmth else 0.0  # of the year
    warm = world.warmth * np.cos(2 * np.pi * (when / 365 + begin))
    value = _felt(world, in_b, vehicle, (age_km, age_d), rng, warm)
    kept = (rng.random(value.size) >= world.missing) & (since > 0)
    columns = (vehicle, age_km, age_d, value, month_c(when, begin), when - age_d)
    return Ratings(*(column[kept] for column in columns))


def month_c(at_d: FloatArray, begin: float) -> FloatArray:
    """Warmth of the month around each day; the year is a cosine."""
    month = np.floor(at_d / 365 * 12 + begin * 12) % 12
    warm: FloatArray = np.cos(2 * np.pi * (month + 0.5) / 12)
    return warm


def _felt(
    world: World,
    in_b: BoolArray,
    vehicle: IntArray,
    age: tuple[FloatArray, FloatArray],
    rng: np.random.Generator,
    warm: FloatArray | float = 0.0,
) -> FloatArray:
    age_km, age_d = age
    fresh = world.fresh * np.maximum(np.exp(-age_km / 400), np.exp(-age_d / 12))
    lean = rng.normal(3, world.between_sd, in_b.size) + world.better * in_b
    worn = world.worn * (0.5 - age_km / world.interval_km)
    mean = lean[vehicle] + fresh + worn + warm
    felt: FloatArray = np.clip(np.rint(rng.normal(mean, world.within_sd)), 1, 5)
    return felt


def outcome(world: World, rng: np.random.Generator, ages: Ages | None = None) -> Inference:
    """One simulated trial through the method."""
    groups = groups_of(world)
    found = ratings(world, groups.in_b, rng)
    band = band_of(found.age_km, found.age_d, ages or Ages(world.interval_km))
    cell = cells(found.vehicle, band, found.value, groups.in_b.size)
    return infer(compare(cell, groups.in_b, groups.stratum), groups, seed=1, draws=999)


def shown_share(world: World, trials: int, seed: int, ages: Ages | None = None) -> float:
    """Share of simulated trials that show a difference."""
    rng = np.random.default_rng(seed)
    return float(np.mean([outcome(world, rng, ages).p_value <= 0.05 for _ in range(trials)]))
