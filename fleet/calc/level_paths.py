"""How far each meter gets, at 99 levels from the fastest to the slowest.

A vehicle's uncertain future is cut into 99 equally likely futures. Level u belongs to the future
in which a limit is reached at the level-u quantile of its day: low levels drive much, high levels
little. A level is followed through all services of the vehicle, so that what a fast future does to
one of them it does to the others too.

Days are calendar days after the last accepted reading; between the knots a level is a straight
line. A standing meter covers nothing until its level has it running again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.class_rates import Clock
from fleet.calc.passage import distances_ahead
from fleet.calc.standing import days_left
from fleet.calc.usage import Law

LEVELS: FloatArray = (np.arange(99) + 0.5) / 99
# Dense where a service is about to fall due, monthly later; our choice of the 22.
KNOTS_D: FloatArray = np.array(
    [0, 2, 4, 7, 10, 14, 21, 30, 45, 60, 80, 100, 125, 150, 180, 210, 240, 270, 300, 325, 350, 372],
    dtype=np.float64,
)
YEAR_D = float(KNOTS_D[-1])  # a year and a week
STANDING_AT_ONCE = 64  # their days differ from level to level, and stay in the cache; our choice
FURTHER_D = 31.0  # between the knots added for meters that were read long ago


@dataclass(frozen=True)
class Paths:
    """The 99 levels of n meters of one kind."""

    start_d: FloatArray  # (n,) last accepted reading, local day number [d]
    knots_d: FloatArray  # (k,) days after it [d]
    ahead: FloatArray  # (n, k, 99) covered since, never falling along the knots [km or h]

    def take(self, rows: IntArray) -> Paths:
        """Meters of the given rows."""
        return Paths(self.start_d[rows], self.knots_d, self.ahead[rows])

    def at_levels(self, rows: IntArray, level: IntArray) -> Paths:
        """Meters of the given rows, each at one level of its own."""
        return Paths(self.start_d[rows], self.knots_d, self.ahead[rows, :, level][:, :, None])

    def covered(self, at_d: FloatArray) -> FloatArray:
        """
        Distance covered since the last reading at local day numbers.

        Parameters
        ----------
        at_d : ndarray, shape (n, 99)
            Local day numbers [d]; before the reading counts as the reading, beyond the last knot
            as the last knot.

        Returns
        -------
        ndarray, shape (n, 99)
            Covered [km or h].
        """
        h_d = np.clip(at_d - self.start_d[:, None], 0.0, self.knots_d[-1])
        low = np.clip(
            np.searchsorted(self.knots_d, h_d, side="right") - 1, 0, len(self.knots_d) - 2
        )
        at_low, at_high = self._about(low)
        share = (h_d - self.knots_d[low]) / np.diff(self.knots_d)[low]
        return at_low + share * (at_high - at_low)

    def reached_d(self, distance: FloatArray) -> FloatArray:
        """
        Local day number at which each level has covered a distance.

        Parameters
        ----------
        distance : ndarray, shape (n, 99)
            Since the last reading [km or h]; nothing left counts as reached at the reading, NaN
            as never reached.

        Returns
        -------
        ndarray, shape (n, 99)
            Local day numbers [d]; inf beyond the last knot.
        """
        count = np.zeros(distance.shape, dtype=np.uint8)
        for knot in range(len(self.knots_d)):
            count += self.ahead[:, knot] < distance
        short = count.astype(np.int64)
        short[np.isnan(distance)] = len(self.knots_d)
        low = np.clip(short - 1, 0, len(self.knots_d) - 2)
        at_low, at_high = self._about(low)
        grown = np.where(at_high > at_low, at_high - at_low, 1.0)
        share = np.clip((distance - at_low) / grown, 0.0, 1.0)
        h_d = self.knots_d[low] + share * np.diff(self.knots_d)[low]
        h_d[short == len(self.knots_d)] = np.inf
        return self.start_d[:, None] + h_d

    def _about(self, low: IntArray) -> tuple[FloatArray, FloatArray]:
        """Distances at the knots below and above each cell."""
        n, knots, levels = self.ahead.shape
        flat = self.ahead.reshape(-1)
        place = low * levels
        place += np.arange(n)[:, None] * (knots * levels) + np.arange(levels)
        return flat[place], flat[place + levels]


def knots_until(until_d: float, least_d: float = YEAR_D) -> FloatArray:
    """Knots that reach some days [d] beyond the last reading, and at least so many."""
    further = np.arange(KNOTS_D[-1] + FURTHER_D, until_d + FURTHER_D, FURTHER_D)
    knots_d = np.concatenate((KNOTS_D, further))
    return knots_d[: max(int(np.searchsorted(knots_d, max(until_d, least_d))), 1) + 1]


def level_paths(
    law: Law,
    last_at_d: ArrayLike,
    utc_offset_d: ArrayLike,
    until_d: float,
    widening: float = 1.0,
    clock: Clock | None = None,
    season: IntArray | None = None,
    least_d: float = YEAR_D,
) -> Paths:
    """
    Follow each meter at 99 levels.

    Parameters
    ----------
    law : Law
        Of the distance ahead of n meters.
    last_at_d : array_like, shape (n,)
        Instant of the last accepted reading, days since 1970 UTC [d].
    utc_offset_d : array_like, broadcast to (n,)
        Local time less UTC [d].
    until_d : float
        Local day number up to which the levels are wanted [d].
    widening : float
        Of the log-spread about the expected day, as in `fleet.calc.due`; taken on the normal
        scale of the levels, which for a lognormal day is the same.
    clock : Clock, optional
        Seasonal clock, with the row ``season`` of each meter.
    least_d : float
        Days after the last reading that the levels reach at least [d]; 0 where nothing is asked
        beyond ``until_d``.

    Returns
    -------
    Paths
    """
    from scipy.special import ndtr, ndtri  # not before it is needed: it takes a moment

    last_d = np.asarray(last_at_d, np.float64)
    start_d = last_d + np.asarray(utc_offset_d, np.float64)
    furthest_d = until_d - start_d.min() if len(start_d) else 0.0
    knots_d = knots_until(float(furthest_d), least_d)
    elapsed_d = np.broadcast_to(knots_d, (len(last_d), len(knots_d)))
    if clock is not None and season is not None:
        begin_d = clock.operational_d(last_d, season)
        elapsed_d = clock.operational_d(last_d[:, None] + knots_d, season) - begin_d[:, None]
    levels = ndtr(widening * ndtri(1.0 - LEVELS))
    ahead = level_distances(law, elapsed_d, levels)
    ahead[:, 0] = 0.0
    return Paths(start_d, knots_d, ahead)


def level_distances(law: Law, days_ahead: ArrayLike, levels: ArrayLike) -> FloatArray:
    """
    Distance covered at each level after some days, standing meters included.

    Parameters
    ----------
    law : Law
        Of n meters.
    days_ahead : array_like, shape (n, k)
        Days ahead of the last reading (of the filter), rising along the second axis [d].
    levels : array_like, shape (m,)
        Probabilities that no more is covered, above 0 and below 1.

    Returns
    -------
    ndarray, shape (n, k, m)
        Distance [km or h]; it never falls along the second axis.
    """
    h_d, at = np.asarray(days_ahead, np.float64), np.asarray(levels, np.float64)
    ahead = distances_ahead(law.moments, h_d, at)
    standing = np.flatnonzero(law.idle_d > 0)
    for begin in range(0, len(standing), STANDING_AT_ONCE):
        rows = standing[begin : begin + STANDING_AT_ONCE]
        part = law.take(rows)
        left_d = days_left(part.idle_d, 1.0 - at)
        running_d = np.maximum(h_d[rows][:, :, None] - left_d[:, None, :], 0.0)
        ahead[rows] = distances_ahead(part.moments, running_d, at)
    return ahead


def moments_ahead(law: Law, days_ahead: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """
    Mean and variance of the distance covered after some days, standing meters included.

    Parameters
    ----------
    law : Law
        Of n meters.
    days_ahead : array_like, broadcast to (n,), or shape (n, k) rising along the second axis
        Days ahead of the last reading (of the filter), not negative [d].

    Returns
    -------
    tuple of ndarray, shape (n,) or (n, k)
        Mean [km or h] and variance [km² or h²]; those of a standing meter over its 99 levels.
    """
    h_d = np.asarray(days_ahead, np.float64)
    if h_d.ndim < 2:
        h_d = np.broadcast_to(h_d, law.level.shape)
    mean, var = law.moments(h_d)
    rows = np.flatnonzero(law.idle_d > 0)
    if rows.size:
        own_d = h_d[rows].reshape(rows.size, -1)
        each = level_distances(law.take(rows), own_d, LEVELS)
        mean[rows] = each.mean(axis=2).reshape(mean[rows].shape)
        var[rows] = each.var(axis=2).reshape(var[rows].shape)
    return mean, var
