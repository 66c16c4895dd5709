"""How often each service falls due in each stretch of time, at 99 levels of the vehicle's future.

A row is one service of one vehicle. At every level it falls due first where its due date has that
level, and again an interval after each time it was done: by distance, by running hours or by the
calendar, whichever comes first. A service overdue today is done today. The counts of a level,
services of a vehicle taken together, are one of 99 equally likely outcomes of that vehicle.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import DateArray, FloatArray, IntArray
from fleet.calc.calendar import add_months, on_day, yearly_by
from fleet.calc.level_paths import LEVELS, Paths

CountArray = NDArray[np.int16]

ROWS_AT_ONCE = 512  # fewer calls against temporaries that stay in the processor's cache
NO_METER = -1


@dataclass(frozen=True)
class Repeats:
    """By what a service falls due again, one entry per row; NaN for no such limit."""

    km: FloatArray
    hours: FloatArray
    months: FloatArray
    yearly_month: FloatArray
    yearly_day: FloatArray
    early_d: FloatArray  # a yearly date this soon after the service is served by it [d]


@dataclass(frozen=True)
class Services:
    """Services of vehicles, one entry per row."""

    km_meter: IntArray  # row in the distance paths, -1 for none
    hours_meter: IntArray  # row in the hour paths, -1 for none
    km_left: FloatArray  # from the last accepted reading [km]; NaN: no such limit
    hours_left: FloatArray  # [h]
    calendar_on: DateArray  # NaT: no such limit
    planned_on: DateArray  # day fixed by a released order, NaT for none
    repeats: Repeats


def counts_before(
    services: Services, km: Paths, hours: Paths, today_d: int, edges_d: FloatArray
) -> CountArray:
    """
    Count how often each service falls due from today until each edge, at each level.

    Parameters
    ----------
    services : Services
        n rows.
    km, hours : Paths
        Levels of the meters they refer to.
    today_d : int
        Local day number of today [d].
    edges_d : ndarray, shape (e,)
        Local day numbers of the mornings that end the stretches, rising [d].

    Returns
    -------
    ndarray, shape (n, e, 99)
    """
    n = len(services.km_left)
    counts = np.zeros((n, len(edges_d), LEVELS.size), dtype=np.int16)
    rules = CalendarRules.of(services.repeats, today_d, float(edges_d[-1]))
    for begin in range(0, n, ROWS_AT_ONCE):
        rows = np.arange(begin, min(begin + ROWS_AT_ONCE, n))
        for here, due_d in _occasions(rows, services, km, hours, rules, today_d):
            row, level = np.nonzero(due_d < rules.end_d)
            stretch = np.searchsorted(edges_d, due_d[row, level], side="right")
            counts[here[row], stretch, level] += 1  # one occasion has each cell once
    return np.cumsum(counts, axis=1, out=counts)


def levels_before(
    services: Services, km: Paths, hours: Paths, today_d: int, edges_d: FloatArray
) -> CountArray:
    """
    Count the levels at which each service falls due for the first time before each edge.

    Parameters
    ----------
    services, km, hours, today_d, edges_d
        As in `counts_before`.

    Returns
    -------
    ndarray, shape (n, e)
        0 to 99. The earliest levels are the first ones, whatever limits a service has.
    """
    n = len(services.km_left)
    counts = np.zeros((n, len(edges_d)), dtype=np.int16)
    for begin in range(0, n, ROWS_AT_ONCE):
        rows = np.arange(begin, min(begin + ROWS_AT_ONCE, n))
        due_d = first_d(services, rows, _sides(rows, services, km, hours), today_d)
        for at, edge_d in enumerate(edges_d.tolist()):
            counts[rows, at] = (due_d < edge_d).sum(axis=1)
    return counts


def _occasions(
    rows: IntArray,
    services: Services,
    km: Paths,
    hours: Paths,
    rules: CalendarRules,
    today_d: int,
) -> Iterator[tuple[IntArray, FloatArray]]:
    """Rows still falling due before the end, and the day of each level, occasion by occasion."""
    sides = _sides(rows, services, km, hours)
    due_d = first_d(services, rows, sides, today_d)
    going = _any_before(due_d, rules.end_d)
    while going.any():
        rows, due_d = rows[going], due_d[going]
        sides = (sides[0].take(going), sides[1].take(going))
        yield rows, due_d
        due_d = again_d(rows, due_d, sides, rules)
        going = _any_before(due_d, rules.end_d)


def _sides(rows: IntArray, services: Services, km: Paths, hours: Paths) -> tuple[Side, Side]:
    own = services.hours_meter[rows], services.hours_left[rows], services.repeats.hours[rows]
    return (
        Side.of(km, services.km_meter[rows], services.km_left[rows], services.repeats.km[rows]),
        Side.of(hours, *own),
    )


def _any_before(due_d: FloatArray, end_d: float) -> NDArray[np.bool_]:
    before: NDArray[np.bool_] = np.asarray((due_d < end_d).any(axis=1))
    return before


def first_d(
    services: Services, rows: IntArray, sides: tuple[Side, ...], today_d: int
) -> FloatArray:
    """Local day number on which each row falls due first, level by level; today at the soonest."""
    due_d = np.minimum(sides[0].first_d(), sides[1].first_d())
    due_d = np.minimum(due_d, _numbers(services.calendar_on[rows])[:, None])
    planned_d = _numbers(services.planned_on[rows])[:, None]
    due_d = np.where(np.isfinite(planned_d), planned_d, due_d)
    return np.maximum(due_d, float(today_d))


def again_d(
    rows: IntArray, done_d: FloatArray, sides: tuple[Side, ...], rules: CalendarRules
) -> FloatArray:
    """Local day number on which each row falls due again after it was done, level by level."""
    # at most one service a day, which also ends the chain of a meaninglessly short interval
    found_d = np.maximum(rules.next_d(rows, done_d), done_d + 1.0)
    for side in sides:
        side.next_d(done_d, found_d)
    return found_d


def _numbers(on: DateArray) -> FloatArray:
    """Day numbers of dates, inf for none."""
    return np.where(np.isnat(on), np.inf, on.astype("M8[D]").astype(np.int64)).astype(np.float64)


@dataclass(frozen=True)
class Side:
    """Distance or running hours of some rows."""

    rows: IntArray  # rows that have such a limit, among n
    paths: Paths  # their meters
    left: FloatArray  # (limited,)
    interval: FloatArray  # (limited,)
    n: int

    @classmethod
    def of(cls, paths: Paths, meter: IntArray, left: FloatArray, interval: FloatArray) -> Side:
        """Take some rows, given by meter (-1 for none), what is left and the interval."""
        wanted = (meter != NO_METER) & ~(np.isnan(left) & np.isnan(interval))
        rows = np.flatnonzero(wanted)
        return cls(rows, paths.take(meter[rows]), left[rows], interval[rows], len(meter))

    def take(self, kept: NDArray[np.bool_]) -> Side:
        """Keep some rows."""
        if kept.all():
            return self
        place = np.cumsum(kept) - 1
        mine = np.flatnonzero(kept[self.rows])
        return Side(
            place[self.rows[mine]],
            self.paths.take(mine),
            self.left[mine],
            self.interval[mine],
            int(kept.sum()),
        )

    def first_d(self) -> FloatArray:
        """Local day number of the first time, inf without such a limit."""
        levels = self.paths.ahead.shape[2]
        due_d = np.full((self.n, levels), np.inf)
        left = np.broadcast_to(self.left[:, None], (len(self.rows), levels))
        due_d[self.rows] = self.paths.reached_d(left)
        return due_d

    def next_d(self, due_d: FloatArray, again_d: FloatArray) -> None:
        """Bring ``again_d`` forward to where an interval more is covered; changed in place."""
        if not len(self.rows):
            return
        target = self.paths.covered(due_d[self.rows]) + self.interval[:, None]
        reached_d = self.paths.reached_d(target)
        # a level that is done with ends beyond the last knot, whose distance says nothing
        over = due_d[self.rows] - self.paths.start_d[:, None] >= self.paths.knots_d[-1]
        reached_d[over] = np.inf
        again_d[self.rows] = np.minimum(
            again_d[self.rows], np.maximum(reached_d, due_d[self.rows] + 1)
        )


@dataclass(frozen=True)
class CalendarRules:
    """For each rule in use and each day ahead: when the calendar asks for the service again."""

    rule: IntArray  # (n,) rule of each row
    today_d: int
    end_d: float
    again_d: FloatArray  # (rules, days) local day number, inf for none [d]

    @classmethod
    def of(cls, repeats: Repeats, today_d: int, end_d: float) -> CalendarRules:
        """Work out the rules of n rows for the days from today to the end."""
        columns = (repeats.months, repeats.yearly_month, repeats.yearly_day, repeats.early_d)
        table = np.nan_to_num(np.column_stack(columns), nan=-1.0)
        rules, rule = np.unique(table, axis=0, return_inverse=True)
        days = np.arange(today_d, int(end_d) + 1).astype("M8[D]")
        again_d = (
            np.stack([_again(days, *row) for row in rules]) if len(rules) else np.empty((0, 0))
        )
        return cls(rule.reshape(-1), today_d, end_d, again_d)

    def next_d(self, rows: IntArray, due_d: FloatArray) -> FloatArray:
        """Local day number of the time after one on ``due_d``, inf for none."""
        last = self.again_d.shape[1] - 1
        day = np.minimum(due_d - self.today_d, last).astype(np.int64)
        return np.asarray(self.again_d[self.rule[rows][:, None], day])


def _again(days: DateArray, months: float, month: float, day: float, early_d: float) -> FloatArray:
    by_months = add_months(days, months if months > 0 else np.nan)
    again_d = _numbers(by_months)
    if month > 0 and day > 0:
        served = days + np.timedelta64(int(max(early_d, 0)), "D")
        again_d = np.minimum(again_d, _numbers(yearly_by(served, int(month), int(day))))
    return again_d


def month_edges(today_d: int, months: int) -> tuple[DateArray, FloatArray]:
    """
    Months from the present one on.

    Parameters
    ----------
    today_d : int
        Local day number [d].
    months : int
        How many, at least 1.

    Returns
    -------
    months_on : ndarray of datetime64[D], shape (months,)
        First day of each.
    edges_d : ndarray, shape (months,)
        Day number of the morning after each [d].
    """
    first = on_day(float(today_d)).astype("datetime64[M]")
    starts = (first + np.arange(months + 1)).astype("datetime64[D]")
    return starts[:-1], starts[1:].astype(np.int64).astype(np.float64)
