"""When each service falls due: distance, running hours and calendar, whichever comes first.

A row is one service of one vehicle. The calendar limit C is a date, so the quantiles of the first
of both are ``q(min(T, C)) = min(q(T), C)`` exactly, and distance comes first with probability
``P(T < C)``. Distance and hours move together: the minimum of their quantiles is taken (measured on
simulated fleets: the 80 % band then covers .81; treating them as independent covers .73).

Dates count from the last accepted reading and are local: ``utc_offset_d`` is the depot's. The days
that a standing vehicle may stand on are added to its quantiles level by level.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import BoolArray, DateArray, FloatArray, IntArray
from fleet.calc.calendar import DateLike, dates, day_number, on_day
from fleet.calc.class_rates import Clock
from fleet.calc.passage import LATEST_D, passage_cdf, passage_quantiles
from fleet.calc.standing import days_left
from fleet.calc.usage import Law, State, law, start

LEVELS = np.array([0.1, 0.5, 0.9])  # earliest likely, expected, latest likely; our choice
SHARE_LEVELS = (np.arange(99) + 0.5) / 99
BLOCK_CELLS = 12_288  # rows × levels at a time, so that temporaries stay in the processor's cache


class Binding(IntEnum):
    """Which limit is reached first."""

    NONE = 0
    CALENDAR = 1
    DISTANCE = 2
    HOURS = 3


@dataclass(frozen=True)
class MeterLimit:
    """One kind of meter, distance or hours, as a limit of n rows."""

    state: State  # m meters
    meter: IntArray  # (n,) meter of each row; any where there is no limit
    left: FloatArray  # (n,) from the last accepted reading to the limit [km or h]; NaN: no limit
    reached_at_d: FloatArray  # (n,) instant the limit was reached, read where left <= 0 [d]
    tolerance: FloatArray  # (n,) allowed beyond the limit [km or h]
    widening: float = 1.0  # of the log-spread about the expected day, never below 1
    clock: Clock | None = None
    season: IntArray | None = None  # (m,) row of each meter in the clock


@dataclass(frozen=True)
class DueDates:
    """Due dates of n rows; dates are NaT where no limit is in sight within 3,650 days."""

    due_on: DateArray  # (n, 3) earliest likely, expected, latest likely, all limits together
    distance_on: DateArray  # (n, 3) by distance alone
    hours_on: DateArray  # (n, 3) by running hours alone
    calendar_on: DateArray  # (n,)
    binding: IntArray  # (n,) limit behind the expected date, see `Binding`
    binding_probability: FloatArray  # (n,) that this limit comes first; NaN without a limit
    beyond_by_reading: BoolArray  # (n,) an accepted reading lies beyond the limit
    reached_on: DateArray  # (n,) day a meter reached its limit, NaT where none has
    beyond_tolerance_by_reading: BoolArray  # (n,)
    tolerance_until_on: DateArray  # (n,) calendar limit and tolerance


def forecast(
    distance: MeterLimit | None,
    hours: MeterLimit | None,
    calendar_on: DateLike,
    utc_offset_d: ArrayLike = 0.0,
    tolerance_d: ArrayLike = 0,
) -> DueDates:
    """
    Due dates of n services, each by up to three limits.

    Parameters
    ----------
    distance, hours : MeterLimit or None
        Limits by meter, None where no row has one.
    calendar_on : array_like of datetime64[D], shape (n,)
        Calendar limits, NaT for none.
    utc_offset_d : array_like, broadcast to (n,)
        Local time less UTC [d].
    tolerance_d : array_like, broadcast to (n,)
        Days allowed beyond the calendar limit, whole [d].

    Returns
    -------
    DueDates
    """
    limit_on = dates(calendar_on)
    n = limit_on.size
    offset_d = np.broadcast_to(np.asarray(utc_offset_d, np.float64), limit_on.shape)
    calendar_d = np.nan_to_num(day_number(limit_on), nan=np.inf)
    by_km, by_h = (_Side.of(limit, offset_d) for limit in (distance, hours))
    km_d, hours_d = (side.quantiles_d(np.arange(n), LEVELS) for side in (by_km, by_h))
    expected_d = np.stack((calendar_d, km_d[:, 1], hours_d[:, 1]))
    first = expected_d.argmin(axis=0) + 1  # ties: calendar
    binding = np.where(np.isfinite(expected_d.min(axis=0)), first, Binding.NONE)
    return DueDates(
        due_on=on_day(np.minimum(np.minimum(km_d, hours_d), calendar_d[:, None])),
        distance_on=on_day(km_d),
        hours_on=on_day(hours_d),
        calendar_on=limit_on,
        binding=binding,
        binding_probability=_binding_probability(by_km, by_h, calendar_d, binding),
        beyond_by_reading=(by_km.limit.left < 0) | (by_h.limit.left < 0),
        reached_on=on_day(np.fmin(by_km.reached_d, by_h.reached_d)),
        beyond_tolerance_by_reading=by_km.beyond_tolerance | by_h.beyond_tolerance,
        tolerance_until_on=limit_on + np.asarray(tolerance_d).astype("timedelta64[D]"),
    )


def instants_d(limit: MeterLimit, levels: ArrayLike) -> FloatArray:
    """
    Instants at which each row reaches its limit by meter alone.

    Parameters
    ----------
    limit : MeterLimit
        n rows.
    levels : array_like, shape (k,)
        Probabilities, rising, one of them one half.

    Returns
    -------
    ndarray, shape (n, k)
        Days since 1970 UTC [d]; inf where no limit is in sight.
    """
    side = _Side.of(limit, np.zeros(limit.left.size))
    return side.quantiles_d(np.arange(limit.left.size), np.asarray(levels, np.float64))


def _binding_probability(
    by_km: _Side, by_h: _Side, calendar_d: FloatArray, binding: IntArray
) -> FloatArray:
    result = np.where(binding == Binding.NONE, np.nan, 1.0)
    dated = np.isfinite(calendar_d) & (binding != Binding.NONE)
    for side, other in ((by_km, by_h), (by_h, by_km)):
        rows = np.flatnonzero(side.limited & ~other.limited & dated)
        before = side.probability_before(rows, calendar_d[rows])
        result[rows] = np.where(binding[rows] == Binding.CALENDAR, 1 - before, before)
    both = np.flatnonzero(by_km.limited & by_h.limited & (binding != Binding.NONE))
    for rows in _blocks(both, SHARE_LEVELS.size):
        days = np.empty((3, rows.size, SHARE_LEVELS.size))
        days[0] = calendar_d[rows, None]
        days[1] = by_km.quantiles_d(rows, SHARE_LEVELS)
        days[2] = by_h.quantiles_d(rows, SHARE_LEVELS)
        first = np.where(np.isfinite(days.min(axis=0)), days.argmin(axis=0) + 1, Binding.NONE)
        result[rows] = (first == binding[rows, None]).mean(axis=1)
    return result


def _blocks(rows: IntArray, levels: int) -> Iterator[IntArray]:
    size = max(BLOCK_CELLS // levels, 1)
    for begin in range(0, rows.size, size):
        yield rows[begin : begin + size]


@dataclass(frozen=True)
class _Side:
    """A limit by meter with its law prepared; days are local day numbers."""

    limit: MeterLimit
    law: Law
    limited: BoolArray  # (n,)
    reached_d: FloatArray  # (n,) NaN where not reached
    offset_d: FloatArray  # (n,)

    @classmethod
    def of(cls, given: MeterLimit | None, offset_d: FloatArray) -> _Side:
        limit = _no_limit(offset_d.size) if given is None else given
        reached_d = np.where(limit.left <= 0, limit.reached_at_d + offset_d, np.nan)
        missing = np.flatnonzero((limit.left <= 0) & np.isnan(reached_d))
        if missing.size:
            raise ValueError(f"row {missing[0]} is at its limit: give the instant it got there")
        return cls(limit, law(limit.state), ~np.isnan(limit.left), reached_d, offset_d)

    @property
    def beyond_tolerance(self) -> BoolArray:
        return np.asarray(self.limit.left < -self.limit.tolerance)

    def quantiles_d(self, rows: IntArray, levels: FloatArray) -> FloatArray:
        """Day the limit is reached, (rows, levels); inf where out of sight or no limit."""
        result = np.full((rows.size, levels.size), np.inf)
        reached = np.flatnonzero(self.limit.left[rows] <= 0)
        result[reached] = self.reached_d[rows[reached], None]
        for block in _blocks(np.flatnonzero(self.limit.left[rows] > 0), levels.size):
            result[block] = self._local_d(rows[block], self._ahead_d(rows[block], levels))
        return result

    def probability_before(self, rows: IntArray, day: FloatArray) -> FloatArray:
        """Probability that the limit is reached before a day begins, for rows that have one."""
        result = (self.reached_d[rows] < day).astype(np.float64)
        ahead = self.limit.left[rows] > 0
        stands = self.law.idle_d[self.limit.meter[rows]] > 0
        for block in _blocks(np.flatnonzero(ahead & stands), SHARE_LEVELS.size):
            days = self.quantiles_d(rows[block], SHARE_LEVELS)
            result[block] = (days < day[block, None]).mean(axis=1)
        for block in _blocks(np.flatnonzero(ahead & ~stands), 1):
            here = rows[block]
            h_d = self._elapsed_d(here, day[block])
            if self.limit.widening != 1:
                h_d = _widened(
                    h_d, self._passage_d(here, np.array([0.5]))[:, 0], 1 / self.limit.widening
                )
            moments = self.law.take(self.limit.meter[here]).moments(np.maximum(h_d, 0.0))
            result[block] = passage_cdf(*moments, self.limit.left[here])
        return result

    def _ahead_d(self, rows: IntArray, levels: FloatArray) -> FloatArray:
        days = self._passage_d(rows, levels)
        if self.limit.widening != 1:
            middle = int(np.searchsorted(levels, 0.5))
            days = _widened(days, days[:, [middle]], self.limit.widening)
            days[days > LATEST_D] = np.inf
        return days

    def _passage_d(self, rows: IntArray, levels: FloatArray) -> FloatArray:
        prepared = self.law.take(self.limit.meter[rows])
        days = passage_quantiles(prepared.moments, self.limit.left[rows], levels)
        if prepared.idle_d.any():
            days += days_left(prepared.idle_d, levels)
            days[days > LATEST_D] = np.inf
        return days

    def _local_d(self, rows: IntArray, ahead_d: FloatArray) -> FloatArray:
        """Local day numbers of days ahead of the last accepted reading."""
        limit, offset_d = self.limit, self.offset_d[rows, None]
        meter = limit.meter[rows]
        last_d = limit.state.last_at_d[meter]
        if limit.clock is None or limit.season is None:
            return last_d[:, None] + ahead_d + offset_d
        season = limit.season[meter]
        operational_d = limit.clock.operational_d(last_d, season)
        return limit.clock.calendar_d(operational_d[:, None] + ahead_d, season) + offset_d

    def _elapsed_d(self, rows: IntArray, day: FloatArray) -> FloatArray:
        """Days ahead of the last accepted reading of the beginning of local days."""
        limit, at_d = self.limit, day - self.offset_d[rows]
        meter = limit.meter[rows]
        last_d = limit.state.last_at_d[meter]
        if limit.clock is None or limit.season is None:
            return at_d - last_d
        season = limit.season[meter]
        operational = limit.clock.operational_d
        return operational(at_d, season) - operational(last_d, season)


def _no_limit(n: int) -> MeterLimit:
    nothing = np.full(n, np.nan)
    return MeterLimit(
        state=start([], [], 1.0, 1.0),
        meter=np.zeros(n, dtype=np.int64),
        left=nothing,
        reached_at_d=nothing,
        tolerance=np.zeros(n),
    )


def _widened(days: FloatArray, expected_d: FloatArray, by: float) -> FloatArray:
    """Widen the log-distance of days from the expected one; what is out of sight stays so."""
    known = np.isfinite(days) & np.isfinite(expected_d) & (days > 0)
    middle = np.where(known, expected_d, 1.0)
    return np.where(known, middle * (np.where(known, days, 1.0) / middle) ** by, days)
