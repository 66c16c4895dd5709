"""What is usual for a class of vehicles: its daily distance, its spread, and its seasons.

A class is a vehicle type at a depot. A month end writes one row per class from the meters' own
fading sums, shrunk towards the fleet; small classes fall back to the type, then to the fleet.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import BoolArray, FloatArray, IntArray

# Our choice, all of these; measured as a whole on real bus odometers.
FEWEST_VEHICLES = 5  # smaller classes fall back
LEAST_SUM_D = 30.0  # a meter's own rate counts from here [d]
LONGEST_SILENCE_D = 70.0  # meters not read for longer are left out [d]
PRIOR_VEHICLES = 2.0  # the fleet's mean counts as so many vehicles
PRIOR_SPREAD = 0.35  # and brings this spread, log scale
LEAST_SPREAD = 0.15
UNKNOWN_SPREAD = 0.6  # spread where no row exists and the type's expected rate stands in
LEAST_KM_PER_DAY: Final = 1.0
LEAST_H_PER_DAY: Final = 0.1
SEASON_YEARS = 2
SEASON_VEHICLES = 5  # a year counts with so many that ran it whole
SEASON_LEAST_SHARE = 0.05  # of the usual distance: an idle month counts as so much
SEASON_STEP = 0.02  # a season takes force when a factor moves by so much
SEASON_LEAST_PER_DAY = 1.0  # vehicles that hardly run say nothing about seasons [km/day]


class Level(IntEnum):
    """Which vehicles a class row was made from."""

    TYPE_AT_DEPOT = 0
    TYPE = 1
    FLEET = 2


@dataclass(frozen=True)
class ClassRates:
    """Class rows of one month end, one meter kind; every field has shape (rows,)."""

    level: IntArray  # see `Level`
    type_id: IntArray  # −1 in the fleet row
    depot_id: IntArray  # −1 in type and fleet rows
    vehicles: IntArray  # n behind the row
    rate: FloatArray  # R [km/day or h/day]
    spread: FloatArray  # log scale


def class_rates(
    as_of_d: float,
    sum_d: ArrayLike,
    sum_km: ArrayLike,
    last_at_d: ArrayLike,
    type_id: ArrayLike,
    depot_id: ArrayLike,
    least_per_day: float = LEAST_KM_PER_DAY,
) -> ClassRates:
    """
    Class rows at a month end from what was known then.

    With x the log of a meter's own rate and x̄ the mean of x over the fleet, a class of n has
    ``ln R = (Σx + 2x̄)/(n + 2)`` and ``spread² = (Σ(x − ln R)² + 2·0.35²)/(n + 2)``.

    Parameters
    ----------
    as_of_d : float
        The month end [d since 1970]; sums must stem from readings up to it.
    sum_d, sum_km : array_like, shape (n,)
        The meters' fading sums as last updated [d], [km or h].
    last_at_d : array_like, shape (n,)
        Last accepted readings [d since 1970].
    type_id, depot_id : array_like of int, shape (n,)
        Non-negative numbers of vehicle type and depot.
    least_per_day : float
        Floor of a meter's own rate: `LEAST_KM_PER_DAY` or `LEAST_H_PER_DAY`.

    Returns
    -------
    ClassRates
        Rows of type × depot and of type with at least 5 vehicles, and one of the fleet; no rows
        at all when no meter counts.
    """
    days, total_km = np.asarray(sum_d, np.float64), np.asarray(sum_km, np.float64)
    silent_d = as_of_d - np.asarray(last_at_d, np.float64)
    counts = np.flatnonzero((days > LEAST_SUM_D) & (silent_d <= LONGEST_SILENCE_D))
    x = np.log(np.maximum(total_km[counts] / days[counts], least_per_day))
    types = np.asarray(type_id, np.int64)[counts]
    depots = np.asarray(depot_id, np.int64)[counts]
    nowhere = np.full_like(types, -1)
    return _joined(
        _rows(Level.TYPE_AT_DEPOT, types, depots, x, FEWEST_VEHICLES),
        _rows(Level.TYPE, types, nowhere, x, FEWEST_VEHICLES),
        _rows(Level.FLEET, nowhere, nowhere, x, 1),
    )


def _rows(
    level: Level, types: IntArray, depots: IntArray, x: FloatArray, fewest: int
) -> ClassRates:
    pairs, group = np.unique(np.stack((types, depots)), axis=1, return_inverse=True)
    group = group.reshape(-1)
    n = np.bincount(group, minlength=pairs.shape[1])
    fleet_mean = x.mean() if x.size else 0.0
    log_rate = (np.bincount(group, x, n.size) + PRIOR_VEHICLES * fleet_mean) / (n + PRIOR_VEHICLES)
    squares = np.bincount(group, (x - log_rate[group]) ** 2, n.size)
    spread = np.sqrt((squares + PRIOR_VEHICLES * PRIOR_SPREAD**2) / (n + PRIOR_VEHICLES))
    keep = n >= fewest
    return ClassRates(
        np.full(int(keep.sum()), level, dtype=np.int64),
        pairs[0, keep],
        pairs[1, keep],
        n[keep].astype(np.int64),
        np.exp(log_rate[keep]),
        np.maximum(spread[keep], LEAST_SPREAD),
    )


def _joined(*parts: ClassRates) -> ClassRates:
    return ClassRates(
        np.concatenate([part.level for part in parts]),
        np.concatenate([part.type_id for part in parts]),
        np.concatenate([part.depot_id for part in parts]),
        np.concatenate([part.vehicles for part in parts]),
        np.concatenate([part.rate for part in parts]),
        np.concatenate([part.spread for part in parts]),
    )


def rate_for(rates: ClassRates, type_id: ArrayLike, depot_id: ArrayLike) -> IntArray:
    """
    Row of ``rates`` for each vehicle: its type at its depot, else its type, else the fleet.

    Parameters
    ----------
    rates : ClassRates
        Rows of one month end.
    type_id, depot_id : array_like of int, shape (n,)
        Non-negative numbers of vehicle type and depot.

    Returns
    -------
    ndarray of int, shape (n,)
        Row numbers, −1 where there is none (an empty month).
    """
    types, depots = np.asarray(type_id, np.int64), np.asarray(depot_id, np.int64)
    nowhere = np.full_like(types, -1)
    found = nowhere.copy()
    for type_key, depot_key in ((types, depots), (types, nowhere), (nowhere, nowhere)):
        missing = np.flatnonzero(found < 0)
        found[missing] = _find(rates, type_key[missing], depot_key[missing])
    return found


def _find(rates: ClassRates, types: IntArray, depots: IntArray) -> IntArray:
    width = int(max(rates.depot_id.max(initial=-1), depots.max(initial=-1))) + 2
    keys = rates.type_id * width + rates.depot_id + 1
    wanted = types * width + depots + 1
    order = np.argsort(keys)
    if not order.size:
        return np.full(wanted.shape, -1, dtype=np.int64)
    at = np.minimum(np.searchsorted(keys[order], wanted), order.size - 1)
    return np.where(keys[order][at] == wanted, order[at], -1)


@dataclass(frozen=True)
class Season:
    """Season indices of c classes, and how far they are believed."""

    factors: FloatArray  # (c, 12) January … December, mean 1; all 1 where nothing is believed
    weight: FloatArray  # (c,) share of what was seen that is taken for a season, 0 to 1
    years: IntArray  # (c,) years with enough vehicles that ran them whole
    vehicles: IntArray  # (c,) vehicles with at least one whole year


def season_index(
    month_km: ArrayLike, month_days: ArrayLike, class_row: ArrayLike, last_month: int
) -> Season:
    """
    Season index per class and calendar month, drawn to "no season" as far as years disagree.

    With x the log of a month's distance relative to each vehicle's own rate in that year, less its
    mean over the 12 months, and x̄ its mean over Y years: ``E = Σ(x − x̄)²/(Y(Y−1))`` is what
    chance alone would leave in ``B = Σx̄²``, so ``w = max(0, 1 − E/B)`` of x̄ is believed:
    ``s = exp(w·x̄)``, divided by the mean of the 12.

    Parameters
    ----------
    month_km : array_like, shape (n, m)
        Distance per vehicle and month, oldest first; NaN where unknown [km or h]. Years are
        blocks of 12 months counted back from the last column; an incomplete oldest one is left
        out.
    month_days : array_like, shape (m,)
        Length of each month [d].
    class_row : array_like of int, shape (n,)
        Class of each vehicle, 0 … c − 1.
    last_month : int
        Calendar month of the last column, 1 … 12.

    Returns
    -------
    Season
        A year counts with at least 5 vehicles that ran it whole; two years are needed.
    """
    km = np.asarray(month_km, np.float64)
    years = km.shape[1] // 12
    start = km.shape[1] - 12 * years
    blocks_km = km[:, start:].reshape(len(km), years, 12)
    blocks_d = np.asarray(month_days, np.float64)[start:].reshape(years, 12)
    known = np.isfinite(blocks_km).all(axis=2)
    rate = np.where(known, blocks_km.sum(axis=2), 0.0) / blocks_d.sum(axis=1)
    whole = known & (rate >= SEASON_LEAST_PER_DAY)
    relative_d = np.where(whole, blocks_km.transpose(2, 0, 1), 0.0) / np.where(whole, rate, 1.0)
    classes = np.asarray(class_row, np.int64)
    return _shrunk(classes, whole, relative_d.transpose(1, 2, 0), blocks_d, last_month)


def _shrunk(
    classes: IntArray,
    whole: BoolArray,
    relative_d: FloatArray,
    blocks_d: FloatArray,
    last_month: int,
) -> Season:
    c = int(classes.max(initial=-1)) + 1
    count = np.zeros((c, whole.shape[1]), dtype=np.int64)
    np.add.at(count, classes, whole)
    driven_d = np.zeros((c, *relative_d.shape[1:]))
    np.add.at(driven_d, classes, relative_d)
    share = driven_d / (np.maximum(count, 1)[:, :, None] * blocks_d)
    x = np.log(np.maximum(share, SEASON_LEAST_SHARE))
    counts = count >= SEASON_VEHICLES
    x = np.where(counts[:, :, None], x - x.mean(axis=2, keepdims=True), 0.0)
    years = counts.sum(axis=1)
    mean = x.sum(axis=1) / np.maximum(years, 1)[:, None]
    apart = np.where(counts[:, :, None], x - mean[:, None], 0.0)
    by_chance = (apart**2).sum(axis=(1, 2)) / np.maximum(years * (years - 1), 1)
    seen = (mean**2).sum(axis=1)
    believed = (years >= SEASON_YEARS) & (seen > by_chance)
    weight = np.where(believed, 1 - by_chance / np.where(seen > 0, seen, 1.0), 0.0)
    factors = np.exp(weight[:, None] * mean)
    factors /= factors.mean(axis=1, keepdims=True)
    by_calendar_month = np.roll(factors, last_month, axis=1)
    vehicles = np.bincount(classes, whole.any(axis=1), c).astype(np.int64)
    return Season(by_calendar_month, weight, years.astype(np.int64), vehicles)


def takes_force(factors: FloatArray, in_force: FloatArray) -> BoolArray:
    """Say where new factors differ enough from those in force, shape (c,) of (c, 12)."""
    return np.asarray(np.abs(factors - in_force).max(axis=1, initial=0.0) >= SEASON_STEP)


class Clock:
    """
    Operational days: calendar time stretched by the season index of a class.

    ``operational_d(t)`` grows by the month's factor per day and is 0 at 1970-01-01; before 1970
    January's factor goes on, after 2199 December's.

    Parameters
    ----------
    factors : array_like, shape (c, 12)
        Season indices, January … December, above 0.

    Raises
    ------
    ValueError
        When a factor is not a positive number.
    """

    def __init__(self, factors: ArrayLike) -> None:
        given = np.asarray(factors, np.float64).reshape(-1, 12)
        if not (np.isfinite(given) & (given > 0)).all():
            raise ValueError("season factors must be numbers above 0, twelve per class")
        # A last row of ones serves meters without a season (row −1).
        given = np.vstack((given, np.ones(12)))
        months = np.arange("1970-01", "2200-02", dtype="datetime64[M]")
        self._edges_d: FloatArray = months.astype("datetime64[D]").astype(np.float64)
        self._slopes: FloatArray = np.tile(given, (1, months.size // 12))
        grown = np.cumsum(self._slopes * np.diff(self._edges_d), axis=1)
        self._reached_d: FloatArray = np.hstack((np.zeros((len(given), 1)), grown))

    def operational_d(self, at_d: ArrayLike, season: ArrayLike) -> FloatArray:
        """Operational days [d] at instants [d since 1970] of rows ``season`` (−1: none)."""
        at, row = self._prepared(at_d, season)
        month = np.searchsorted(self._edges_d, at, side="right") - 1
        month = np.clip(month, 0, self._slopes.shape[1] - 1)
        into_month_d = at - self._edges_d[month]
        return np.asarray(self._reached_d[row, month] + self._slopes[row, month] * into_month_d)

    def calendar_d(self, operational_d: ArrayLike, season: ArrayLike) -> FloatArray:
        """Instants [d since 1970] at which rows ``season`` reach operational days [d]."""
        reached, row = self._prepared(operational_d, season)
        # One sorted list for all classes: each class's counts lifted clear of the one before.
        lift = 2 * float(self._reached_d.max()) + 1.0
        flat = (self._reached_d + lift * np.arange(len(self._reached_d))[:, None]).ravel()
        bounded = np.clip(reached, 0.0, self._reached_d[row, -1])
        month = np.searchsorted(flat, bounded + lift * row, side="right") - 1
        month = np.clip(month - row * self._edges_d.size, 0, self._slopes.shape[1] - 1)
        into_month_d = (reached - self._reached_d[row, month]) / self._slopes[row, month]
        return np.asarray(self._edges_d[month] + into_month_d)

    def _prepared(self, values: ArrayLike, season: ArrayLike) -> tuple[FloatArray, IntArray]:
        given = np.asarray(values, np.float64)
        rows = np.asarray(season, np.int64)
        rows = np.where(rows < 0, len(self._slopes) - 1, rows)
        if given.ndim == 2 and rows.ndim == 1:
            rows = rows[:, None]
        given, rows = np.broadcast_arrays(given, rows)
        return given, rows
