"""A workshop week by week: what really happens to vehicles whose days are planned by forecasts.

Drawn once for all practices: how far vehicles drive, how long work takes, what comes in unplanned.
A practice sees each Monday what was driven so far, and gives days; days are told a fortnight
ahead, and what is told for the days of a week stands. Then the week happens.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_costs import P90_SIGMA
from tests.bench import plan as depots

WEEK_D, TOLD_D = 7, 14  # days of a practice's week, and how far ahead days are told
HISTORY_D, BEYOND_D = 56, 400  # driven before the first Monday, and after the last day
KM_PER_DAY = 100.0  # of a usual vehicle: intervals in days are intervals in so much distance
KEPT_SHARE = 0.3  # of the minutes, that no practice plans
TIMES = 40  # a service is done at most so often

Way = Callable[["Monday"], IntArray]  # day of each service of the task; −1 left out


@dataclass(frozen=True)
class Doubt:
    """How far truth is from what is expected, as standard deviations on the log scale."""

    vehicle: float = 0.25  # of a vehicle's level about the usual one
    week: float = 0.35  # of a week about the level
    drift: float = 0.03  # of the level from week to week; no forecast knows of it
    work: float = 0.25  # of the minutes of a service about the book's
    unplanned_share: float = 0.2  # mean, of all minutes; a day's is drawn about it


@dataclass(frozen=True)
class Truth:
    """What happens, whatever is planned, for v vehicles with n services over D days.

    Parameters
    ----------
    vehicle, kind : (n,)
        Whose each service is, and which.
    km : (v, HISTORY_D + D + BEYOND_D)
        Driven by the end of each day [km].
    last_km : (n,)
        When each was done last before the first Monday [km].
    work_min : (n, TIMES)
        Minutes of each time it is done [min].
    unplanned_min : (D,)
        What comes in without a day [min].
    day_min
        Minutes that may be planned on an open day [min].
    """

    vehicle: IntArray
    kind: IntArray
    km: FloatArray
    last_km: FloatArray
    work_min: FloatArray
    unplanned_min: FloatArray
    day_min: float
    doubt: Doubt

    @property
    def days(self) -> int:
        """How many days are looked at."""
        return len(self.unplanned_min)

    @property
    def interval_km(self) -> FloatArray:
        """Distance from one time to the next, (n,) [km]."""
        return np.array(depots.INTERVALS_D)[self.kind] * KM_PER_DAY


def drawn(
    vehicles: int, weeks: int, seed: int, day_min: float, doubt: Doubt | None = None
) -> Truth:
    """Draw what happens to a depot whose services lie anywhere in their intervals."""
    random, doubt = np.random.default_rng(seed), doubt or Doubt()
    kind = np.tile(np.arange(len(depots.INTERVALS_D)), vehicles)
    vehicle = np.repeat(np.arange(vehicles), len(depots.INTERVALS_D))
    days = weeks * WEEK_D
    span = (HISTORY_D + days + BEYOND_D) // WEEK_D + 1
    level = random.normal(0, doubt.vehicle, (vehicles, 1)) + np.cumsum(
        random.normal(0, doubt.drift, (vehicles, span)), axis=1
    )
    passing = random.normal(-(doubt.week**2) / 2, doubt.week, (vehicles, span))
    km = np.cumsum(np.repeat(KM_PER_DAY * np.exp(level + passing), WEEK_D, axis=1), axis=1)
    interval_km = np.array(depots.INTERVALS_D)[kind] * KM_PER_DAY
    used = random.uniform(0.0, 1.0, len(kind)) * interval_km
    book = np.array(depots.WORK_MIN)[kind][:, None]
    all_min = day_min / (1 - KEPT_SHARE)
    return Truth(
        vehicle=vehicle,
        kind=kind,
        km=km,
        last_km=km[vehicle, HISTORY_D - 1] - used,
        work_min=book * np.exp(random.normal(-(doubt.work**2) / 2, doubt.work, (len(kind), TIMES))),
        unplanned_min=all_min * doubt.unplanned_share * random.gamma(2.0, 0.5, days),
        day_min=day_min,
        doubt=doubt,
    )


@dataclass(frozen=True)
class Seen(depots.World):
    """Due dates as a forecast has them: days from a Monday on."""

    bands_d: FloatArray  # (n, 1, 3)

    @property
    def quantiles_d(self) -> FloatArray:
        """Earliest likely, expected and latest likely day, (n, 1, 3)."""
        return self.bands_d


def forecast(truth: Truth, last_km: FloatArray, monday: int) -> Seen:
    """Forecast from what was driven in the eight weeks before, in doubt as weeks scatter."""
    now = truth.km[:, HISTORY_D + monday - 1]
    before = truth.km[:, monday - 1] if monday else np.zeros(len(now))
    rate = ((now - before) / HISTORY_D)[truth.vehicle]
    left_d = (last_km + truth.interval_km - now[truth.vehicle]) / rate
    weeks = np.maximum(np.abs(left_d), WEEK_D) / WEEK_D
    sigma = truth.doubt.week * np.sqrt(WEEK_D / HISTORY_D + 1 / weeks)
    factor = np.exp(P90_SIGMA * sigma)
    apart_d = np.maximum(np.abs(left_d), WEEK_D)
    least_d, most_d = left_d - apart_d * (1 - 1 / factor), left_d + apart_d * (factor - 1)
    bands_d = np.floor(np.stack((least_d, left_d, most_d), axis=1))
    return Seen(truth.vehicle, truth.kind, bands_d[:, 1], np.zeros(0), len(now), bands_d[:, None])


@dataclass(frozen=True)
class Monday:
    """What a practice is asked: the task without what stands, and the days given before."""

    task: Task
    due_d: FloatArray  # (k, 3) of its services
    before: IntArray  # (k,) day each had a week ago; −1 none


@dataclass
class Outcome:
    """What a practice came to."""

    visits: int = 0
    services: int = 0
    overdue_d: float = 0.0  # of all services, till done or till the end
    early_d: float = 0.0
    cost_minor: float = 0.0  # of visits, life thrown away and days late; moves have no price here
    told: int = 0  # days of visits
    kept: int = 0
    moved: int = 0  # in good time
    broken: int = 0


@dataclass
class Workshop:
    """One practice through all weeks of a truth."""

    truth: Truth
    way: Way
    stands_d: int  # days ahead that are no longer changed: of what was told
    outcome: Outcome = field(default_factory=Outcome)

    def __post_init__(self) -> None:
        self.last_km = self.truth.last_km.copy()
        self.times = np.zeros(len(self.last_km), dtype=np.int64)
        self.day = np.full(len(self.last_km), -1, dtype=np.int64)  # planned, from the first Monday
        self.told: set[tuple[int, int]] = set()  # vehicle and day, not over yet
        self.waiting: list[int] = []  # vehicles whose work had not begun on their day
        self.services_waiting: dict[int, IntArray] = {}
        self.overrun_min = 0.0

    def run(self) -> Outcome:
        """Go through all weeks."""
        for monday in range(0, self.truth.days, WEEK_D):
            self._plan(monday)
            self._tell(monday)
            for day in range(monday, monday + WEEK_D):
                if day % WEEK_D < 5:
                    self._work(day)
        self._close()
        return self.outcome

    def _plan(self, monday: int) -> None:
        """Give days anew to all that does not stand."""
        seen = forecast(self.truth, self.last_km, monday)
        told = np.array([pair in self.told for pair in self._pairs()], dtype=bool)
        stands = told & (self.day >= monday) & (self.day < monday + self.stands_d)
        waits = np.zeros(len(stands), dtype=bool)
        for services in self.services_waiting.values():
            waits[services] = True
        free, inside = depots.task(
            seen, 1.0, day_min=self.truth.day_min, wanted=~(stands | waits)
        )  # Mondays are weekday 0
        before = np.where(self.day[inside] >= monday, self.day[inside] - monday, -1)
        task = self._less(free, np.flatnonzero(stands), monday)
        day = self.way(Monday(task, seen.quantiles_d[inside, 0], before))
        self.day[~(stands | waits)] = -1
        self.day[inside] = np.where(day >= 0, day + monday, -1)

    def _pairs(self) -> list[tuple[int, int]]:
        return list(zip(self.truth.vehicle.tolist(), self.day.tolist(), strict=True))

    def _less(self, task: Task, stands: IntArray, monday: int) -> Task:
        """The task with what stands taken off its minutes; others may join those visits."""
        joins = task.joins.copy()
        vehicle, day = self.truth.vehicle[stands], self.day[stands] - monday
        joins[vehicle, day] = True
        visits = np.unique(np.column_stack((vehicle, day)), axis=0).reshape(-1, 2)
        work = np.array(depots.WORK_MIN)[self.truth.kind[stands]]
        skilled = work * np.array(depots.SKILLED)[self.truth.kind[stands]]
        rows = []
        for row in task.rows:
            taken = np.zeros(task.days)
            np.add.at(taken, day, skilled if row.kind == "skill" else work)
            np.add.at(taken, visits[:, 1], row.set_up[visits[:, 0]])
            rows.append(replace(row, capacity=np.maximum(0.0, row.capacity - taken)))
        return replace(task, rows=tuple(rows), joins=joins)

    def _tell(self, monday: int) -> None:
        """Tell the days of the next fortnight, and those told before that are no more."""
        planned = {pair for pair in self._pairs() if pair[1] >= monday}
        for pair in sorted(self.told - planned):
            near = pair[1] < monday + WEEK_D
            self.outcome.broken += near
            self.outcome.moved += not near
            self.told.discard(pair)
        new = {pair for pair in planned if pair[1] < monday + TOLD_D} - self.told
        self.outcome.told += len(new)
        self.told |= new

    def _work(self, day: int) -> None:
        """One open day: what waits comes first, then the day's visits while minutes are left."""
        left_min = self.truth.day_min / (1 - KEPT_SHARE) - self.truth.unplanned_min[day]
        left_min -= self.overrun_min
        come = np.unique(self.truth.vehicle[self.day == day]).tolist()
        for vehicle in [*self.waiting, *(one for one in come if one not in self.waiting)]:
            services = self._services(vehicle, day)
            promised = (vehicle, day) in self.told
            self.told.discard((vehicle, day))
            if left_min <= 0:
                self.outcome.broken += promised
                self.services_waiting[vehicle] = services
                continue
            self.outcome.kept += promised
            self.services_waiting.pop(vehicle, None)
            left_min -= self._done(services, day)
        self.waiting = list(self.services_waiting)
        self.overrun_min = max(0.0, -left_min)

    def _services(self, vehicle: int, day: int) -> IntArray:
        here = np.flatnonzero((self.truth.vehicle == vehicle) & (self.day == day))
        return np.union1d(here, self.services_waiting.get(vehicle, here[:0])).astype(np.int64)

    def _done(self, services: IntArray, day: int) -> float:
        """Do some services of one vehicle; the minutes that took."""
        work_min = self.truth.work_min[services, self.times[services]].sum() + depots.SET_UP_MIN
        for service in services.tolist():
            self._count(service, day)
        self.outcome.visits += 1
        self.outcome.services += len(services)
        self.outcome.cost_minor += depots.VISIT_MINOR
        self.last_km[services] = self.truth.km[self.truth.vehicle[services], HISTORY_D + day]
        self.times[services] += 1
        self.day[services] = -1
        return float(work_min)

    def _count(self, service: int, day: int, *, early: bool = True) -> None:
        kind = int(self.truth.kind[service])
        km = self.truth.km[self.truth.vehicle[service]]
        due_km = self.last_km[service] + self.truth.interval_km[service]
        late_d = day - (int(np.searchsorted(km, due_km)) - HISTORY_D)
        early_d = max(0, -late_d) * early
        self.outcome.overdue_d += max(0, late_d)
        self.outcome.early_d += early_d
        self.outcome.cost_minor += max(0, late_d) * depots.LATE_MINOR_PER_D[kind]
        self.outcome.cost_minor += early_d * depots.PRICES_MINOR[kind] / depots.INTERVALS_D[kind]

    def _close(self) -> None:
        """Count what is overdue at the end."""
        for service in range(len(self.last_km)):
            self._count(service, self.truth.days, early=False)
