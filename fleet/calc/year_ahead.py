"""A workshop's days ahead in 99 equally likely futures: what falls due, comes in, waits, is done.

Each vehicle follows one of its levels (`level_paths`) in each future, and all its levels once, so
that a sum over vehicles has on average exactly what their levels have. A vehicle comes in on the
last working day before its first service falls due, or as soon after it as the minutes of the
workshop allow, the longest due first; with it comes whatever is in its early window. A visit begins
while minutes are left, and what it runs over is taken from the next working day.

The futures are drawn by vehicle and type, never by row: whoever is compared has the same ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.demand import (
    NO_METER,
    ROWS_AT_ONCE,
    CalendarRules,
    Services,
    Side,
    again_d,
    first_d,
)
from fleet.calc.level_paths import LEVELS, Paths

FUTURES = LEVELS.size
SEED = 20_481  # our choice; any number does
DAYS_PER_MONTH = 365.25 / 12
SUMS = ("work_min", "visits", "services", "overdue_d", "late_min", "late_minor")
BoolArray = NDArray[np.bool_]


def draw_levels(vehicle_id: IntArray, type_id: IntArray, rho: FloatArray) -> IntArray:
    """
    Level that each vehicle follows in each future, each of them once.

    Parameters
    ----------
    vehicle_id, type_id : ndarray, shape (v,)
        They alone decide what is drawn.
    rho : ndarray, shape (v,)
        Correlation of its distance with what the vehicles of its type share, 0 to below 1.

    Returns
    -------
    ndarray, shape (v, futures)
        Level 0 drives most.
    """
    own = _normal(vehicle_id, 0)
    shared = _normal(type_id, 1)
    score = np.sqrt(1.0 - rho[:, None] ** 2) * own - rho[:, None] * shared
    return np.asarray(np.argsort(np.argsort(score, axis=1, kind="stable"), axis=1, kind="stable"))


def _normal(ids: IntArray, kind: int) -> FloatArray:
    each, row = np.unique(ids, return_inverse=True)
    drawn = [np.random.default_rng([SEED, kind, one]).normal(size=FUTURES) for one in each.tolist()]
    return np.asarray(np.array(drawn).reshape(len(each), FUTURES)[row])


@dataclass(frozen=True)
class Terms:
    """What holds from a day on: n services of v vehicles at d depots."""

    begin_d: int
    key: IntArray  # (n,) tells a service of a vehicle apart, rising
    services: Services  # (n,)
    km: Paths
    hours: Paths
    vehicle: IntArray  # (n,) row of the vehicle
    level: IntArray  # (v, futures)
    depot: IntArray  # (v,)
    unit: IntArray  # (n,) under which it is counted
    units: int
    early_share: FloatArray  # (n,) of its interval
    work_min: FloatArray  # (n,)
    is_round: BoolArray  # (n,) done on its day without a visit
    late_minor: FloatArray  # (n,) cost of a day late
    capacity_min: FloatArray  # (d, days) from the first day on, and some days beyond the last
    set_up_min: FloatArray  # (d,) of a visit


@dataclass(frozen=True)
class Span:
    """The days that are followed, and the stretch that each is counted in."""

    first_d: int
    stretch: IntArray  # (days,)
    stretches: int

    @property
    def end_d(self) -> int:
        """Local day number of the morning after the last day [d]."""
        return self.first_d + len(self.stretch)


@dataclass(frozen=True)
class Carried:
    """Where the services stand on the morning on which other terms begin."""

    key: IntArray  # (n,)
    due_d: FloatArray  # (n, futures), inf for not within the days ahead
    done_d: FloatArray  # (n, futures) when last, NaN for not yet
    left_min: FloatArray  # (d, futures) below zero: what the visits before ran over


@dataclass(frozen=True)
class Tally:
    """Sums by depot, stretch and future: (d, stretches, futures)."""

    work_min: FloatArray
    visits: FloatArray
    services: FloatArray
    overdue_d: FloatArray  # days on which a service was overdue
    late_min: FloatArray  # of services that were done after their day
    late_minor: FloatArray
    counts: FloatArray  # (units, stretches, futures)

    @classmethod
    def empty(cls, depots: int, units: int, stretches: int) -> Tally:
        """Nothing yet."""
        counts = np.zeros((units, stretches, FUTURES))
        sums = {name: np.zeros((depots, stretches, FUTURES)) for name in SUMS}
        return cls(**sums, counts=counts)


def follow(
    terms: Terms, until_d: int, span: Span, carried: Carried | None = None
) -> tuple[Tally, Carried]:
    """
    Follow the services day by day.

    Parameters
    ----------
    until_d : int
        Local day number of the morning on which other terms begin, or after the last day [d].
    carried : Carried, optional
        Where the terms before left them.

    Returns
    -------
    tuple of Tally and Carried
    """
    course = _Course.begin(terms, span, carried)
    for day_d in range(terms.begin_d, until_d):
        course.day(day_d)
    return course.tally, Carried(terms.key, course.due_d, course.done_d, course.left_min)


@dataclass
class _Course:
    terms: Terms
    span: Span
    rules: CalendarRules
    due_d: FloatArray
    done_d: FloatArray
    window_d: FloatArray  # (n, futures) length of the early window
    left_min: FloatArray
    tally: Tally

    @classmethod
    def begin(cls, terms: Terms, span: Span, carried: Carried | None) -> _Course:
        n, depots = len(terms.key), len(terms.set_up_min)
        course = cls(
            terms=terms,
            span=span,
            rules=CalendarRules.of(terms.services.repeats, span.first_d, float(span.end_d)),
            due_d=np.empty((n, FUTURES)),
            done_d=np.full((n, FUTURES), np.nan),
            window_d=np.empty((n, FUTURES)),
            left_min=np.zeros((depots, FUTURES)),
            tally=Tally.empty(depots, terms.units, span.stretches),
        )
        for at in range(0, n, ROWS_AT_ONCE):
            course._first(np.arange(at, min(at + ROWS_AT_ONCE, n)))
        if carried is not None:
            course._take_over(carried)
        return course

    def _first(self, rows: IntArray) -> None:
        terms, services = self.terms, self.terms.services
        repeats = services.repeats
        sides = (
            Side.of(terms.km, services.km_meter[rows], services.km_left[rows], repeats.km[rows]),
            Side.of(
                terms.hours, services.hours_meter[rows], services.hours_left[rows],
                repeats.hours[rows],
            ),
        )  # fmt: skip
        level = terms.level[terms.vehicle[rows]]
        due_d = first_d(services, rows, sides, terms.begin_d)
        self.due_d[rows] = np.take_along_axis(due_d, level, axis=1)
        window_d = terms.early_share[rows, None] * _interval_d(services, rows, terms)
        self.window_d[rows] = np.take_along_axis(window_d, level, axis=1)

    def _take_over(self, carried: Carried) -> None:
        """Count from what was done since; let what was waiting wait on, where it is still due."""
        terms, begin_d = self.terms, float(self.terms.begin_d)
        kept = np.isin(terms.key, carried.key)
        place = np.searchsorted(carried.key, terms.key[kept])
        before_d = np.full_like(self.due_d, np.inf)
        before_d[kept], self.done_d[kept] = carried.due_d[place], carried.done_d[place]
        rows, futures = np.nonzero(np.isfinite(self.done_d))
        again = self._again_d(rows, futures, self.done_d[rows, futures])
        self.due_d[rows, futures] = np.maximum(again, begin_d)
        waits = (self.due_d <= begin_d) & (before_d < begin_d)
        self.due_d[waits] = before_d[waits]
        self.left_min[:] = carried.left_min

    def _again_d(self, rows: IntArray, futures: IntArray, done_d: FloatArray) -> FloatArray:
        """When a service falls due again, cell by cell."""
        terms, services = self.terms, self.terms.services
        level = terms.level[terms.vehicle[rows], futures]
        sides = (
            _side(terms.km, services.km_meter[rows], level, services.repeats.km[rows]),
            _side(terms.hours, services.hours_meter[rows], level, services.repeats.hours[rows]),
        )
        return np.asarray(again_d(rows, done_d[:, None], sides, self.rules)[:, 0])

    def day(self, day_d: int) -> None:
        """One day at every depot."""
        terms, at = self.terms, day_d - self.span.first_d
        stretch = int(self.span.stretch[at])
        depot = terms.depot[terms.vehicle]
        self._count_overdue(day_d, stretch, depot)
        rounds = self.due_d < np.where(terms.is_round, day_d + 1.0, -np.inf)[:, None]
        if rounds.any():
            rows, futures = np.nonzero(rounds)
            self._done(rows, futures, day_d, stretch)
        minutes = terms.capacity_min[:, at]
        self.left_min = np.minimum(self.left_min, 0.0) + minutes[:, None]
        reach_d = _reach_d(terms.capacity_min, at, day_d)
        limit_d = np.where(terms.is_round, -np.inf, reach_d[depot])
        wanted = self.due_d < limit_d[:, None]
        if wanted.any():
            self._visits(wanted, limit_d, day_d, stretch)

    def _count_overdue(self, day_d: int, stretch: int, depot: IntArray) -> None:
        late = self.due_d < day_d
        for row in np.flatnonzero(late.any(axis=1)):
            self.tally.overdue_d[depot[row], stretch] += late[row]
            self.tally.late_minor[depot[row], stretch] += late[row] * self.terms.late_minor[row]

    def _visits(self, wanted: BoolArray, limit_d: FloatArray, day_d: int, stretch: int) -> None:
        terms = self.terms
        rows, futures = np.nonzero(wanted)
        visit, first = np.unique(terms.vehicle[rows] * FUTURES + futures, return_inverse=True)
        due_d = np.full(len(visit), np.inf)
        np.minimum.at(due_d, first, self.due_d[rows, futures])
        rows, futures = self._with_early(wanted, visit, limit_d)
        of = np.searchsorted(visit, terms.vehicle[rows] * FUTURES + futures)
        vehicle, future = np.divmod(visit, FUTURES)
        depot = terms.depot[vehicle]
        minutes = terms.set_up_min[depot] + np.bincount(of, terms.work_min[rows], len(visit))
        taken = _taken(depot * FUTURES + future, due_d, minutes, self.left_min.ravel())
        here = depot[taken], np.full(int(taken.sum()), stretch), future[taken]
        np.add.at(self.left_min, (depot[taken], future[taken]), -minutes[taken])
        np.add.at(self.tally.visits, here, 1.0)
        np.add.at(self.tally.work_min, here, minutes[taken])
        done = taken[of]
        self._done(rows[done], futures[done], day_d, stretch)

    def _with_early(
        self, wanted: BoolArray, visit: IntArray, limit_d: FloatArray
    ) -> tuple[IntArray, IntArray]:
        """Add to what is wanted what of the same vehicle is in its early window."""
        terms = self.terms
        comes = np.zeros((len(terms.level), FUTURES), dtype=bool)
        comes.ravel()[visit] = True
        rows = np.flatnonzero(np.isin(terms.vehicle, visit // FUTURES))
        early = self.due_d[rows] - self.window_d[rows] < limit_d[rows, None]
        found = wanted[rows] | (early & comes[terms.vehicle[rows]])
        row, futures = np.nonzero(found)
        return rows[row], futures

    def _done(self, rows: IntArray, futures: IntArray, day_d: int, stretch: int) -> None:
        terms = self.terms
        depot = terms.depot[terms.vehicle[rows]]
        here = depot, np.full(len(rows), stretch), futures
        late = self.due_d[rows, futures] < day_d
        np.add.at(self.tally.services, here, 1.0)
        np.add.at(self.tally.late_min, here, late * terms.work_min[rows])
        np.add.at(self.tally.counts, (terms.unit[rows], here[1], futures), 1.0)
        self.done_d[rows, futures] = day_d
        self.due_d[rows, futures] = self._again_d(rows, futures, np.full(len(rows), float(day_d)))


def _side(paths: Paths, meter: IntArray, level: IntArray, interval: FloatArray) -> Side:
    rows = np.flatnonzero((meter != NO_METER) & np.isfinite(interval))
    own = paths.at_levels(meter[rows], level[rows])
    return Side(rows, own, interval[rows], interval[rows], len(meter))


def _interval_d(services: Services, rows: IntArray, terms: Terms) -> FloatArray:
    """About how many days lie between one time and the next, level by level: (r, 99); 0: no end."""
    repeats = services.repeats
    months = np.where(np.isfinite(repeats.yearly_month[rows]), 12.0, np.inf)
    months = np.fmin(months, repeats.months[rows])
    found = np.repeat(months[:, None] * DAYS_PER_MONTH, FUTURES, axis=1)
    for paths, meter, interval in (
        (terms.km, services.km_meter[rows], repeats.km[rows]),
        (terms.hours, services.hours_meter[rows], repeats.hours[rows]),
    ):
        own = np.flatnonzero((meter != NO_METER) & np.isfinite(interval))
        ahead = paths.ahead[meter[own], -1]
        moving = np.where(ahead > 0, ahead, np.nan)
        found[own] = np.fmin(found[own], interval[own, None] * paths.knots_d[-1] / moving)
    return np.where(np.isfinite(found), found, 0.0)


def _reach_d(capacity_min: FloatArray, at: int, day_d: int) -> FloatArray:
    """Day of the next working day of each depot, up to which today's visits reach; -inf: closed."""
    later = capacity_min[:, at + 1 :] > 0
    next_d = np.where(later.any(axis=1), day_d + 1.0 + later.argmax(axis=1), day_d + 1.0)
    return np.asarray(np.where(capacity_min[:, at] > 0, next_d, -np.inf))


def _taken(
    group: IntArray, due_d: FloatArray, minutes: FloatArray, left_min: FloatArray
) -> BoolArray:
    """Which visits begin, the longest due first, while minutes of their group are left."""
    order = np.lexsort((due_d, group))
    summed = np.cumsum(minutes[order]) - minutes[order]
    begins = np.flatnonzero(np.diff(group[order], prepend=-1))
    before = summed - np.repeat(summed[begins], np.diff(begins, append=len(group)))
    taken = np.zeros(len(group), dtype=bool)
    taken[order] = before < left_min[group[order]]
    return taken
