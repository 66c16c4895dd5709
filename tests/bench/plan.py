"""Plans of generated depots: the proven gap, what it saves, and how much of it stays put.

Fleets, minutes and prices are invented; the percentages show the method. A depot is as full as the
plan would make it that nothing limits: dates alone ask for less, as much is done before its date.
"""

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_costs import Prices, day_costs, law, leave_out_costs, with_memory
from fleet.calc.visit_effort import Effort
from fleet.calc.visit_naive import each_on_its_day, outcome, together
from fleet.calc.visit_plan import plan
from fleet.calc.visit_rows import Row

DAYS, BACK, AFTER = 56, 200, 120
FROZEN_D, MOVED_MINOR = 7, 4_000
# of each vehicle: engine oil, two checks, coolant, gearbox oil, axle oil
INTERVALS_D = (120.0, 180.0, 365.0, 365.0, 540.0, 730.0)
WORK_MIN = (60.0, 15.0, 30.0, 45.0, 90.0, 60.0)
PRICES_MINOR = (9_000.0, 1_000.0, 2_500.0, 6_000.0, 14_000.0, 8_000.0)
LATE_MINOR_PER_D = (4_000.0, 2_000.0, 2_000.0, 4_000.0, 4_000.0, 4_000.0)
SKILLED = (False, False, False, False, True, False)
VISIT_MINOR, SET_UP_MIN = 5_000.0, 20.0
EARLY_SHARE = 0.15
OF_A_DEPOT = 200
MARKS = (  # vehicles, share of the minutes used, seed; gap and CPU s [s] at most
    *((100, 0.75, 1, 0.015, 15.0), (100, 0.75, 2, 0.015, 15.0), (200, 0.75, 1, 0.015, 3.0)),
    *((200, 0.9, 1, 0.015, 10.0), (200, 0.9, 2, 0.015, 10.0)),
    *((100, 1.06, 1, 0.025, 15.0), (200, 1.06, 1, 0.025, 15.0), (200, 1.06, 2, 0.025, 15.0)),
)


@dataclass(frozen=True)
class World:
    """Due dates of a generated depot, as seen on some day."""

    vehicle: IntArray
    kind: IntArray
    p50_d: FloatArray
    spread: FloatArray  # share of the way to p50
    vehicles: int

    @property
    def quantiles_d(self) -> FloatArray:
        """Earliest likely, expected and latest likely day, (n, 1, 3)."""
        apart = np.maximum(1.0, np.abs(self.p50_d) * self.spread)
        return np.stack((self.p50_d - apart, self.p50_d, self.p50_d + 1.3 * apart), axis=1)[
            :, None, :
        ]


def world(vehicles: int, seed: int) -> World:
    """A depot whose services lie anywhere in their intervals, a few of them late."""
    random = np.random.default_rng(seed)
    kinds = np.tile(np.arange(len(INTERVALS_D)), vehicles)
    intervals = np.array(INTERVALS_D)[kinds]
    p50 = np.floor(random.uniform(-0.02, 1.0, len(kinds)) * intervals)
    return World(
        vehicle=np.repeat(np.arange(vehicles), len(INTERVALS_D)),
        kind=kinds,
        p50_d=p50,
        spread=random.uniform(0.05, 0.2, len(kinds)),
        vehicles=vehicles,
    )


def one_night_on(before: World, seed: int, done: IntArray) -> World:
    """A day later: what was done is due an interval on; other dates come a day nearer and move a
    little, as readings come in."""
    random = np.random.default_rng(seed)
    apart = np.abs(before.p50_d) * before.spread
    p50 = before.p50_d - 1 + np.rint(random.normal(0, 0.1, len(apart)) * apart)
    p50[done] = np.array(INTERVALS_D)[before.kind[done]] - 1
    return replace(before, p50_d=p50)


def task(
    seen: World,
    use_share: float,
    first_weekday: int = 0,
    day_min: float | None = None,
    wanted: BoolArray | None = None,
) -> tuple[Task, IntArray]:
    """The task of a depot of whose minutes this share would be used if there were no end of them,
    or with so many on an open day; and which services of the world, or of those wanted, are in
    it."""
    intervals = np.array(INTERVALS_D)[seen.kind]
    early_d = np.floor(seen.p50_d - EARLY_SHARE * intervals)
    inside = np.flatnonzero((early_d < DAYS) & (True if wanted is None else wanted))
    kind, vehicle = seen.kind[inside], seen.vehicle[inside]
    days = np.arange(-BACK, DAYS + AFTER)
    due_by = law(seen.quantiles_d[inside], np.full(len(inside), np.nan), days)
    prices = Prices(
        np.array(PRICES_MINOR)[kind] / np.array(INTERVALS_D)[kind],
        np.array(LATE_MINOR_PER_D)[kind],
        np.zeros(len(kind)),
    )
    cost = day_costs(due_by, prices)[:, BACK:]
    open_days = (np.arange(DAYS) + first_weekday) % 7 < 5
    by_day = np.where(open_days[None, :], cost[:, :DAYS], np.inf)
    by_day[np.arange(DAYS)[None, :] < early_d[inside][:, None]] = np.inf
    free = Task(
        vehicle=vehicle,
        cost_minor=by_day,
        leave_out_minor=leave_out_costs(cost[:, DAYS:], np.full(len(kind), VISIT_MINOR), 0.6),
        wait_min=np.zeros(len(kind)),
        visit_minor=np.full(seen.vehicles, VISIT_MINOR),
        rows=(),
        joins=np.zeros((seen.vehicles, DAYS), dtype=bool),
    )
    work = np.array(WORK_MIN)[kind]
    if day_min is None:
        day_min = float(np.floor(_wanted_min(free, work) / use_share / open_days.sum()))
    limits = _limits(np.where(open_days, day_min, 0.0), work, kind, seen.vehicles)
    return replace(free, rows=limits), inside


def _wanted_min(free: Task, work: FloatArray) -> float:
    """Minutes that the plan takes which nothing limits."""
    found = plan(free)
    return float(work[found.day >= 0].sum() + SET_UP_MIN * len(found.visits))


def _limits(
    minutes: FloatArray, work: FloatArray, kind: IntArray, vehicles: int
) -> tuple[Row, ...]:
    set_up = np.full(vehicles, SET_UP_MIN)
    skilled = work * np.array(SKILLED)[kind]
    return (
        Row("mechanics", "mechanics", minutes, work, set_up),
        Row("skill", "gearboxes", minutes * 0.5, skilled, np.zeros(vehicles)),
        Row("bays", "bays", minutes * 1.1, work, set_up, waits=True),
    )


def goal(name: str, holds: bool) -> None:
    """One line for each mark that the method sets."""
    print(f"    {'PASS' if holds else 'FALLS SHORT'}  {name}", flush=True)


WAYS: dict[str, Callable[..., IntArray]] = {
    "each on its p50 date": each_on_its_day,
    "all due within 30 days": together,
}


@dataclass
class Sums:
    """What the plans of some depots come to, beside usual ways."""

    cost_minor: float = 0.0
    bound_minor: float = 0.0
    visits: int = 0
    done: int = 0
    cpu_s: float = 0.0
    ways_minor: dict[str, float] = field(default_factory=lambda: dict.fromkeys(WAYS, 0.0))

    def add(self, vehicles: int, use_share: float, seed: int) -> None:
        """Plan one depot more."""
        seen = world(vehicles, seed)
        planned, inside = task(seen, use_share)
        begin = time.process_time()
        best = plan(planned)
        self.cpu_s += time.process_time() - begin
        self.cost_minor += best.cost_minor
        self.bound_minor += best.bound_minor
        self.visits += len(best.visits)
        self.done += int((best.day >= 0).sum())
        every = np.arange(len(inside))
        for name, way in WAYS.items():
            day = way(planned, seen.p50_d[inside], every)
            self.ways_minor[name] += outcome(planned, day, every).cost_minor

    @property
    def gap(self) -> float:
        """Share of the cost by which better plans could be cheaper, at most."""
        return 1 - self.bound_minor / self.cost_minor

    def cheaper_than(self, way: str) -> float:
        """Share of the cost of a usual way that the plans save."""
        return 1 - self.cost_minor / self.ways_minor[way]


def _row(vehicles: int, use_share: float, seed: int, most_gap: float, most_s: float) -> None:
    found = Sums()
    found.add(vehicles, use_share, seed)
    saved = "; ".join(f"{found.cheaper_than(way):.0%} cheaper than {way}" for way in WAYS)
    print(
        f"{vehicles:>6,} vehicles at {use_share:.2f}, seed {seed}: "
        f"{found.visits / max(1, found.done):.2f} visits each; {saved}"
    )
    goal(f"gap {found.gap:.2%} to the proved bound, at most {most_gap:.1%}", found.gap <= most_gap)
    goal(f"{found.cpu_s:.1f} CPU s, at most {most_s:.0f}", found.cpu_s <= most_s)


def _by_depot(depots: int) -> None:
    """Ten depots of 200 vehicles, or so, against usual ways."""
    found = Sums()
    for seed in range(1, depots + 1):
        found.add(OF_A_DEPOT, 0.75, seed)
    print(f"{depots * OF_A_DEPOT:>6,} vehicles by depot, {found.cpu_s:.0f} CPU s")
    for way, least in zip(WAYS, (0.2, 0.1), strict=True):
        saved = found.cheaper_than(way)
        goal(f"{saved:.0%} cheaper than {way}, at least {least:.0%}", saved >= least)
    each = found.visits / max(1, found.done)
    goal(f"{each:.2f} visits per service, at most 0.60", each <= 0.6)


def peak_mb(depots: int) -> float:
    """Plan depots one after another in this process; the most memory it ever held [MB]."""
    for seed in range(1, depots + 1):
        planned, _ = task(world(OF_A_DEPOT, seed), 0.75, day_min=250.0)
        plan(planned, effort=Effort(moves=20, more_moves=0, programs=5, more_programs=0))
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _memory(depots: int) -> None:
    """In a fresh process, as the peak of this one is of everything before."""
    code = f"from tests.bench.plan import peak_mb; print(peak_mb({depots}))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    found_mb = float(told.stdout)
    goal(
        f"{depots * OF_A_DEPOT:,} vehicles by depot: peak {found_mb:.0f} MB, at most 300",
        found_mb <= 300,
    )


def _moved(vehicles: int, use_share: float, nights: int) -> None:
    """Share of promised visits beyond the frozen days that a night moves, with a price on moves.

    What is frozen stays, and the plan before is where each night begins, as in the program.
    """
    seen = world(vehicles, 1)
    planned, inside = task(seen, use_share)
    day_min = float(planned.capacity[0].max())
    found = plan(planned)
    moved = live = 0
    for night in range(1, nights + 1):
        day = np.full(len(seen.kind), -1)
        day[inside] = found.day
        seen = one_night_on(seen, night, np.flatnonzero(day == 0))
        planned, inside = task(seen, use_share, night % 7, day_min)
        before = np.maximum(day[inside] - 1, -1)
        can = np.isfinite(planned.cost_minor[np.arange(len(inside)), np.maximum(before, 0)])
        before[~can] = -1
        found = plan(_with_promises(planned, before), start=as_visits(planned, before))
        told = before >= FROZEN_D
        live += int(told.sum())
        moved += int((told & (found.day != before)).sum())
    share = moved / max(1, live)
    print(
        f"{vehicles:>6,} vehicles, {nights} nights, {live} promised services a night or more ahead"
    )
    goal(f"{share:.1%} of promised services move a night, at most 3 %", share <= 0.03)


def _with_promises(planned: Task, before: IntArray) -> Task:
    """The task with a price on moves, and no other day for what is frozen."""
    cost, out = with_memory(planned.cost_minor, planned.leave_out_minor, before, MOVED_MINOR)
    frozen = (before >= 0) & (before < FROZEN_D)
    cost[frozen[:, None] & (np.arange(DAYS)[None, :] != before[:, None])] = np.inf
    out[frozen] += 1e7
    return replace(planned, cost_minor=cost, leave_out_minor=out)


def as_visits(planned: Task, before: IntArray) -> tuple[tuple[int, int, int], ...]:
    bits: dict[tuple[int, int], int] = {}
    for vehicle, services in enumerate(planned.services_of):
        for bit, service in enumerate(services.tolist()):
            if before[service] >= 0:
                key = (vehicle, int(before[service]))
                bits[key] = bits.get(key, 0) | 1 << bit
    return tuple((vehicle, day, mask) for (vehicle, day), mask in sorted(bits.items()))


def _again(vehicles: int, use_share: float) -> None:
    planned, _ = task(world(vehicles, 1), use_share)
    same = plan(planned).visits == plan(planned).visits
    goal(f"{vehicles} vehicles planned twice: the same plan", same)


def run(vehicles: int) -> None:
    """Plan depots of 100 and 200 vehicles, then 2,000 and 10,000 by depot, as far as so many are
    asked for.

    Those at 1.06 have more to do than minutes, which is hard on any plan.
    """
    for count, use_share, seed, most_gap, most_s in MARKS:
        if count <= vehicles:
            _row(count, use_share, seed, most_gap, most_s)
    _again(100, 0.9)
    _moved(100, 0.75, 3)
    if vehicles >= 2_000:
        _by_depot(2_000 // OF_A_DEPOT)
    if vehicles >= 10_000:
        _memory(10_000 // OF_A_DEPOT)
