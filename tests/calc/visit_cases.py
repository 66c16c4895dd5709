"""Tasks of visits for tests: the case worked by hand, small ones at random, and brute force."""

from dataclasses import replace
from itertools import product

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_costs import Prices, day_costs, leave_out_costs
from fleet.calc.visit_rows import Row
from fleet.calc.whole_jobs import Crew

CENTS = 100  # the case is worked in whole units of money, the program in hundredths

# Worked by hand: three vehicles A, B, C; days 0 and 1; what is left out is done on day 4.
NAMES = ("A-oil", "A-brake", "B-oil", "C-gear")
DUE_BY = np.array(  # probability of being due by the end of days 0 … 4
    [[0.25, 0.75, 1, 1, 1], [0, 0.5, 0.5, 1, 1], [0.5, 1, 1, 1, 1], [0.25, 0.25, 1, 1, 1]]
)
EARLY, LATE = np.array([2.0, 1, 2, 4]), np.array([40.0, 20, 40, 60])
WORK_MIN = np.array([60.0, 30, 60, 90])
SKILLED = np.array([0.0, 0, 0, 1])
VEHICLE = np.array([0, 0, 1, 2])
VISIT = np.array([50.0, 50, 70])
SET_UP_MIN = 20.0


def case_costs() -> tuple[FloatArray, FloatArray]:
    """Cost of each service on days 0 and 1, and of leaving it out [cents]."""
    prices = Prices(EARLY * CENTS, LATE * CENTS, np.zeros(4))
    by_day = day_costs(DUE_BY, prices)
    return by_day[:, :2], leave_out_costs(by_day[:, 4:], VISIT[VEHICLE] * CENTS, 0.6)


def case(
    minutes: tuple[float, float] | None = (120, 210),
    skilled_min: tuple[float, float] | None = (0, 90),
) -> Task:
    """The case with its minutes per day; None is without end."""
    cost, left_out = case_costs()
    set_up = np.full(3, SET_UP_MIN)
    rows = []
    if minutes is not None:
        of_day = np.array(minutes, dtype=float)
        rows += [
            Row("mechanics", "mechanics", of_day, WORK_MIN, set_up),
            Row("bays", "bays", of_day, WORK_MIN, set_up, waits=True),
        ]
    if skilled_min is not None:
        of_day = np.array(skilled_min, dtype=float)
        rows.append(Row("skill", "gearboxes", of_day, WORK_MIN * SKILLED, np.zeros(3)))
    return Task(
        vehicle=VEHICLE,
        cost_minor=cost,
        leave_out_minor=left_out,
        wait_min=np.zeros(4),
        visit_minor=VISIT * CENTS,
        rows=tuple(rows),
        joins=np.zeros((3, 2), dtype=bool),
    )


def small(seed: int, vehicles: int = 4, days: int = 3) -> Task:
    """A small task at random, short of minutes, with a scarce part and one skilled mechanic."""
    random = np.random.default_rng(seed)
    vehicle = np.sort(np.concatenate((np.arange(vehicles), random.integers(vehicles, size=3))))
    count = len(vehicle)
    cost = random.integers(0, 8_000, (count, days)).astype(float)
    cost[random.random((count, days)) < 0.15] = np.inf
    work = random.integers(2, 9, count) * 10.0
    set_up = np.full(vehicles, 20.0)
    minutes = random.integers(6, 16, days) * 10.0
    skilled = work * (random.random(count) < 0.4)
    part = (random.random(count) < 0.5).astype(float)
    rows = (
        Row("mechanics", "mechanics", minutes, work, set_up),
        Row("skill", "skill", minutes / 2, skilled, np.zeros(vehicles)),
        Row("part", "seal", np.sort(random.integers(0, 3, days)).astype(float), part,
            np.zeros(vehicles), cumulative=True),
    )  # fmt: skip
    return Task(
        vehicle=vehicle,
        cost_minor=cost,
        leave_out_minor=random.integers(2_000, 14_000, count).astype(float),
        wait_min=np.zeros(count),
        visit_minor=random.integers(2_000, 6_000, vehicles).astype(float),
        rows=rows,
        joins=np.zeros((vehicles, days), dtype=bool),
    )


def cost_of(task: Task, day: tuple[int, ...]) -> float:
    """What a plan costs, from the day of each service alone (−1 left out); inf if it breaks a
    row. One visit of a vehicle a day."""
    return float(_costs_of(task, np.array([day]))[0])


def _costs_of(task: Task, days: IntArray) -> FloatArray:
    """The same of many plans, each a row."""
    on = days[:, :, None] == np.arange(task.days)  # plan, service, day
    vehicles = range(len(task.visit_minor))
    visits = np.stack([on[:, task.vehicle == one].any(axis=1) for one in vehicles], axis=1)
    cost = np.where(days < 0, task.leave_out_minor, 0).sum(axis=1)
    cost = cost + np.where(on, task.cost_minor, 0).sum(axis=(1, 2))
    cost = cost + (visits * task.visit_minor[:, None]).sum(axis=(1, 2))
    for row in task.rows:
        used = (on * row.use[:, None]).sum(axis=1) + (visits * row.set_up[:, None]).sum(axis=1)
        used = np.cumsum(used, axis=1) if row.cumulative else used
        cost[(used > row.capacity + 1e-9).any(axis=1)] = np.inf
    return cost


def _all_plans(task: Task) -> IntArray:
    return np.array([*product(range(-1, task.days), repeat=len(task.vehicle))])


def all_costs(task: Task) -> list[float]:
    """Costs of all plans there are, cheapest first, by trying every one."""
    costs = _costs_of(task, _all_plans(task))
    return sorted(costs[np.isfinite(costs)].tolist())


def with_minutes(task: Task, extra_min: FloatArray) -> Task:
    """The same with more minutes on each day of the first row."""
    first = replace(task.rows[0], capacity=task.rows[0].capacity + extra_min)
    return replace(task, rows=(first, *task.rows[1:]))


def _crewed(task: Task, work_min: FloatArray, mechanic_min: FloatArray) -> Task:
    count, vehicles = len(task.vehicle), len(task.visit_minor)
    bays = len(mechanic_min)
    return replace(
        task,
        crew=Crew(
            bay_min=np.full((bays, task.days), 480.0),
            bay_fits=np.ones((vehicles, bays), dtype=bool),
            mechanic_min=mechanic_min,
            skills=np.zeros(len(mechanic_min), dtype=np.int64),
            need=np.zeros(count, dtype=np.int64),
            work_min=work_min,
            second_min=np.zeros(count),
            wait_min=np.zeros(count),
            set_up_min=np.zeros(vehicles),
            committed=((),) * task.days,
        ),
    )


def three_long_jobs(days: int) -> Task:
    """Three visits of 320 minutes, two mechanics of 480 minutes a day."""
    work = np.full(3, 320.0)
    task = Task(
        vehicle=np.arange(3),
        cost_minor=np.tile(np.arange(days) * 100.0, (3, 1)),
        leave_out_minor=np.full(3, 50_000.0),
        wait_min=np.zeros(3),
        visit_minor=np.full(3, 5_000.0),
        rows=(Row("mechanics", "mechanics", np.full(days, 960.0), work, np.zeros(3)),),
        joins=np.zeros((3, days), dtype=bool),
    )
    return _crewed(task, work, np.full((2, days), 480.0))


def one_vehicle_two_long_jobs() -> Task:
    """Two jobs of 300 minutes on one vehicle; two mechanics of 480 minutes; day 0 is cheaper."""
    work = np.full(2, 300.0)
    task = Task(
        vehicle=np.zeros(2, dtype=np.int64),
        cost_minor=np.array([[0.0, 100], [0, 100]]),
        leave_out_minor=np.full(2, 50_000.0),
        wait_min=np.zeros(2),
        visit_minor=np.full(1, 5_000.0),
        rows=(Row("mechanics", "mechanics", np.full(2, 960.0), work, np.zeros(1)),),
        joins=np.zeros((1, 2), dtype=bool),
    )
    return _crewed(task, work, np.full((2, 2), 480.0))


def with_crew(seed: int) -> Task:
    """A small task at random whose minutes are those of two mechanics, not long enough for all."""
    random = np.random.default_rng(seed)
    task = small(seed, vehicles=4, days=2)
    count = len(task.vehicle)
    work = random.integers(4, 13, count) * 10.0
    minutes = random.integers(12, 20, (2, 2)) * 10.0
    row = Row("mechanics", "mechanics", minutes.sum(axis=0), work, np.zeros(4))
    return _crewed(replace(task, rows=(row,)), work, minutes)


def whole_costs(task: Task) -> list[float]:
    """As ``all_costs``, of plans whose days can be shared out, by trying all sharings."""
    plans = _all_plans(task)
    costs = _costs_of(task, plans)
    there = [at for at in np.flatnonzero(np.isfinite(costs)) if _shared(task, plans[at])]
    return sorted(costs[there].tolist())


def _shared(task: Task, day: IntArray) -> bool:
    assert task.crew is not None
    for on in range(task.days):
        visits: dict[int, float] = {}
        for service, at in enumerate(day):
            if at == on:
                vehicle = int(task.vehicle[service])
                visits[vehicle] = visits.get(vehicle, 0.0) + task.crew.work_min[service]
        minutes = task.crew.mechanic_min[:, on]
        ways = product(range(len(minutes)), repeat=len(visits))
        if (
            not any(
                (np.bincount(way, list(visits.values()), len(minutes)) <= minutes).all()
                for way in map(list, ways)
                if way or not visits
            )
            and visits
        ):
            return False
    return True
