"""A depot's rows as a task of arithmetic: costs by day, what is limited, bays and mechanics."""

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from fleet.calc.arrays import Array
from fleet.calc.visit_bound import Visit as Start
from fleet.calc.visit_columns import Task
from fleet.calc.visit_costs import (
    Prices,
    day_costs,
    earliness_d,
    growing_d2,
    lateness_d,
    law,
    leave_out_costs,
    with_memory,
)
from fleet.calc.visit_reasons import Around
from fleet.calc.visit_rows import Row, fits_capacity, skill_capacity, unions
from fleet.calc.whole_jobs import Committed, Crew
from fleet.visits import bay_fit, parts
from fleet.visits.gather import Gathered, Standing, pairs_of
from fleet.visits.hands import foremost

BACK_D, AFTER_D = (
    366,
    120,
)  # how far lateness is looked back at, and a later visit ahead; our choice
SHARE_OF_VISIT = 0.6  # of a visit, that a service put off must bear; without it work is pushed out
ANY_TO_SPARE = "vehicles to spare"
JOIN_MINOR = 100  # that a round is worth on a visit; our choice: it joins, and makes no visit


@dataclass(frozen=True)
class Made:
    """A task and what else is told about it.

    ``plain`` is the task without the price of moves; ``costs``: of its services by day; ``start``:
    the plan before.
    """

    task: Task
    plain: Task
    around: Around
    costs: "Costs"
    start: tuple[Start, ...]
    rounds: Array
    inputs_hash: str
    skill_names: tuple[str, ...]


def make(found: Gathered) -> Made:
    """Turn what was gathered into a task."""
    row_of = {vehicle.pk: at for at, vehicle in enumerate(found.vehicles)}
    vehicle = np.array([row_of[one.vehicle_id] for one in found.wanted], dtype=np.int64)
    by_day, rounds = costs(found), are_rounds(found)
    cost = by_day.minor
    visit = np.full(len(found.vehicles), float(found.workshop.visit_minor))
    left_out = leave_out_costs(by_day.later_minor, visit[vehicle], SHARE_OF_VISIT)
    cost[rounds] = np.where(np.isfinite(cost[rounds]), 0.0, np.inf)
    left_out[rounds] = JOIN_MINOR
    closed = ~found.places.open
    open_minor = np.where(closed[None, :] | found.away[vehicle], np.inf, cost)
    crew, skill_names = _crew(found, row_of)
    plain = Task(
        vehicle=vehicle,
        cost_minor=open_minor,
        leave_out_minor=left_out,
        wait_min=crew.wait_min,
        visit_minor=visit,
        rows=_rows(found, crew, vehicle, skill_names),
        joins=_joins(found, row_of),
        crew=crew,
    )
    planned = [found.before.get((one.vehicle_id, one.service_id), -1) for one in found.wanted]
    day = np.array(planned, dtype=np.int64)
    moved = float(found.workshop.moved_minor)
    with_moves = with_memory(open_minor, left_out, np.where(rounds, -1, day), moved)
    return Made(
        task=_priced(plain, *with_moves),
        plain=plain,
        around=Around(cost, closed, found.away),
        costs=by_day,
        start=_start(plain, day),
        rounds=rounds,
        inputs_hash=_hash(found, plain),
        skill_names=skill_names,
    )


def are_rounds(found: Gathered) -> Array:
    """Which services return within the plan: they join, cost nothing and are no visit."""
    return np.array([one.interval_d <= found.days for one in found.wanted], dtype=bool)


def _priced(task: Task, cost: Array, left_out: Array) -> Task:
    return replace(task, cost_minor=cost, leave_out_minor=left_out)


@dataclass(frozen=True)
class Costs:
    """What services cost by day.

    ``minor`` (n, H), inf before the early window, and ``later_minor`` on the days after; ``late_d``
    and ``early_d`` (n, H + 1): days late and early that are expected on each day and at the end;
    ``early_minor_per_d`` (n,): what a day early throws away; ``before_minor`` (n,): what the days
    late before the first day come to, which every day holds and none can change.
    """

    minor: Array
    later_minor: Array
    late_d: Array
    early_d: Array
    early_minor_per_d: Array
    before_minor: Array

    def wasted(self, row: int, day: int) -> dict[str, float]:
        """How early a service is on a day, and what of its paid life that throws away."""
        early_d = float(self.early_d[row, day])
        return {"early_d": early_d, "early_minor": round(early_d * self.early_minor_per_d[row])}


def costs(found: Gathered) -> Costs:
    """Of what is wanted, as the law of each due date says."""
    bits_of, shop, days = found.wanted, found.workshop, found.days
    grid = np.arange(-BACK_D, days + AFTER_D)
    quantiles = np.array([one.quantiles_d for one in bits_of], dtype=float).reshape(
        len(bits_of), 3, 3
    )
    due_by = law(quantiles, np.array([one.calendar_d for one in bits_of], dtype=float), grid)
    check = np.array([one.check for one in bits_of], dtype=bool)
    interval = np.array([one.interval_d for one in bits_of], dtype=float)
    prices = Prices(
        np.where(check, shop.check_minor, shop.change_minor) / interval,
        np.where(check, shop.late_check_minor, shop.late_change_minor).astype(float),
        np.full(len(bits_of), float(shop.growing_minor)),
    )
    cost = day_costs(due_by, prices)
    inside = cost[:, BACK_D : BACK_D + days].copy()
    first = np.array([one.first_d for one in bits_of], dtype=float)
    inside[np.arange(days)[None, :] < first[:, None]] = np.inf
    told = slice(BACK_D, BACK_D + days + 1)
    beyond_d = np.array([max(0.0, one.due_d - days - AFTER_D) for one in bits_of], dtype=float)
    late_d = lateness_d(due_by)
    dated = np.isfinite(beyond_d)  # other work that only joins is never early
    early_d = earliness_d(due_by)[:, told] + np.where(dated, beyond_d, 0.0)[:, None]
    earlier_d = np.array([max(0.0, -BACK_D - one.due_d) for one in bits_of], dtype=float)
    return Costs(
        minor=inside,
        later_minor=cost[:, BACK_D + days :],
        late_d=late_d[:, told] + earlier_d[:, None],
        early_d=early_d * dated[:, None],
        early_minor_per_d=prices.early_minor_per_d,
        before_minor=prices.late_minor_per_d * late_d[:, BACK_D]
        + prices.growing_minor_per_d2 * growing_d2(due_by)[:, BACK_D],
    )


def _bits(names: tuple[str, ...], of: tuple[str, ...]) -> int:
    return sum(1 << names.index(one) for one in set(of))


def _crew(found: Gathered, row_of: dict[int, int]) -> tuple[Crew, tuple[str, ...]]:
    bits_of, places = found.wanted, found.places
    names = tuple(sorted({skill for one in bits_of for skill in one.skills}))
    known = [tuple(skill for skill in own if skill in names) for own in places.skills]
    fits = bay_fit.fits(found.vehicles, places)
    committed: list[list[Committed]] = [[] for _ in range(found.days)]
    set_up: set[tuple[int, int]] = set()  # vehicle and day: several orders are one visit
    has = _who_has(found, row_of)
    for one in found.standing:
        here = (row_of[one.vehicle_id], one.day)
        bays = tuple(np.flatnonzero(fits[here[0]]).tolist())
        piece = committed_by(one, found, bays, joins=here in set_up)
        committed[one.day].append(replace(piece, whose=has.get(here, -1)))
        set_up.add(here)
    crew = Crew(
        bay_min=places.bay_min,
        bay_fits=fits.reshape(len(found.vehicles), len(places.bays)),
        mechanic_min=places.mechanic_min,
        skills=np.array([_bits(names, own) for own in known], dtype=np.int64),
        need=np.array([_bits(names, one.skills) for one in bits_of], dtype=np.int64),
        work_min=np.array([one.work_min for one in bits_of], dtype=float),
        second_min=np.array([one.second_min for one in bits_of], dtype=float),
        wait_min=np.array([one.wait_min for one in bits_of], dtype=float),
        set_up_min=np.full(len(found.vehicles), float(found.workshop.set_up_min)),
        committed=tuple(map(tuple, committed)),
        has=has,
    )
    return crew, names


def _who_has(found: Gathered, row_of: dict[int, int]) -> dict[tuple[int, int], int]:
    """Which mechanic has the orders of a vehicle on a day and is there, by vehicle and day."""
    places = found.places
    of: dict[tuple[int, int], list[tuple[int | None, bool]]] = {}
    for one in found.standing:
        if one.person_id is not None:
            given = (one.person_id, one.begun)
            of.setdefault((row_of[one.vehicle_id], one.day), []).append(given)
    rows = {here: places.row_of(foremost(given), "") for here, given in of.items()}
    return {
        (vehicle, day): row
        for (vehicle, day), row in rows.items()
        if row is not None and places.mechanic_min[row, day] > 0
    }


def committed_by(
    one: Standing, found: Gathered, bays: tuple[int, ...], *, joins: bool = False
) -> Committed:
    """What a visit that stands takes of its day; no set-up where it joins another of its vehicle.

    ``bays`` are those that carry the vehicle.
    """
    places = found.places
    work = float(one.work_min + found.workshop.set_up_min * (not joins))
    able = (at for at, own in enumerate(places.skills) if {*one.skills} <= {*own})
    everybody = tuple(range(len(places.mechanics)))
    chosen = tuple(at for at in bays if places.bays[at] == one.bay)
    hands = tuple(able) or everybody
    return Committed(work + one.wait_min, work, chosen or bays, hands, one.second_min)


def _rows(
    found: Gathered, crew: Crew, vehicle: Array, skill_names: tuple[str, ...]
) -> tuple[Row, ...]:
    may_plan = found.workshop.may_plan
    committed_work = np.array(
        [sum(one.work_min + one.second_min for one in day) for day in crew.committed]
    )
    committed_bay = np.array([sum(one.bay_min for one in day) for day in crew.committed])
    none = np.zeros(len(found.vehicles))

    def left(minutes: Array, committed: Array) -> Array:
        return np.asarray(np.maximum(0.0, may_plan(minutes) - committed))

    rows = [
        Row("mechanics", "mechanics", left(crew.mechanic_min.sum(axis=0), committed_work),
            crew.work_min + crew.second_min, crew.set_up_min),
        Row("bays", "bays", left(crew.bay_min.sum(axis=0), committed_bay), crew.work_min,
            crew.set_up_min, waits=True),
    ]  # fmt: skip
    for kinds in unions(crew.need):
        asked = np.isin(crew.need, kinds) * crew.work_min
        minutes = may_plan(skill_capacity(kinds, crew.mechanic_min, crew.skills))
        rows.append(Row("skill", _skills(kinds, skill_names), minutes, asked, none))
    fit_bits = (crew.bay_fits * (1 << np.arange(crew.bay_fits.shape[1]))).sum(axis=1)
    everywhere = (1 << crew.bay_fits.shape[1]) - 1
    bits_of = np.where(fit_bits == everywhere, 0, fit_bits)
    for bays in unions(bits_of):
        of = np.isin(bits_of, bays)
        minutes = may_plan(fits_capacity(bays, crew.bay_min))
        rows.append(Row("bay", "bays that carry it", minutes, of[vehicle] * crew.work_min,
                        of * crew.set_up_min, waits=False))  # fmt: skip
    pairs = [(one.vehicle_id, one.service_id) for one in found.wanted]
    shape = (len(found.vehicles), found.days)
    of_parts = parts.rows(found.parts, pairs, standing_pairs(found), shape)
    return (*rows, *_spared(found, len(vehicle)), *of_parts)


def standing_pairs(found: Gathered) -> list[tuple[int, tuple[int, int]]]:
    """Day, vehicle and service of what stands."""
    return [(one.day, pair) for one in found.standing for pair in pairs_of([one])]


def to_spare(found: Gathered) -> list[tuple[str, Array, int]]:
    """How many vehicles can be spared a day, in all and of each type with a limit.

    Returns
    -------
    list
        The limit's name, which vehicles it is about, and how many of them.
    """
    types = np.array([one.vehicle_type_id for one in found.vehicles], dtype=np.int64)
    limits = [(f"{one.vehicle_type.name} to spare", types == one.vehicle_type_id,
               one.vehicles_a_day) for one in found.spared]  # fmt: skip
    if found.workshop.vehicles_a_day is not None:
        limits.append((ANY_TO_SPARE, np.ones(len(types), bool), found.workshop.vehicles_a_day))
    return limits


def _spared(found: Gathered, services: int) -> list[Row]:
    row_of = {vehicle.pk: at for at, vehicle in enumerate(found.vehicles)}
    stands = np.zeros((len(found.vehicles), found.days), dtype=bool)
    for one in found.standing:
        stands[row_of[one.vehicle_id], one.day] = True
    return [
        Row("vehicles", name, np.maximum(0.0, most - stands[of].sum(axis=0)),
            np.zeros(services), of.astype(float))
        for name, of, most in to_spare(found)
    ]  # fmt: skip


def _skills(kinds: tuple[int, ...], names: tuple[str, ...]) -> str:
    each = [" and ".join(n for at, n in enumerate(names) if kind >> at & 1) for kind in kinds]
    return " or ".join(each)


def _joins(found: Gathered, row_of: dict[int, int]) -> Array:
    joins = np.zeros((len(found.vehicles), found.days), dtype=bool)
    for one in found.standing:
        joins[row_of[one.vehicle_id], one.day] = True
    return joins


def _start(task: Task, day: Array) -> tuple[Start, ...]:
    visits: dict[tuple[int, int], int] = {}
    for vehicle, services in enumerate(task.services_of):
        for bit, service in enumerate(services.tolist()):
            if day[service] >= 0:
                key = (vehicle, int(day[service]))
                visits[key] = visits.get(key, 0) | 1 << bit
    return tuple((vehicle, on, mask) for (vehicle, on), mask in sorted(visits.items()))


def _hash(found: Gathered, task: Task) -> str:
    """Of all that a plan rests on but the plan before: the same inputs keep the same plan."""
    digest = hashlib.sha256(f"{found.today} {found.days}".encode())
    names = [[vehicle.pk, vehicle.fleet_number] for vehicle in found.vehicles]
    ids = [(one.vehicle_id, one.service_id) for one in found.wanted]
    orders = [
        replace(one, bay="", person_id=None) for one in found.standing if one.order or one.locked
    ]
    row_of = {vehicle.pk: row for row, vehicle in enumerate(found.vehicles)}
    away = [bool(found.away[row_of[one.vehicle_id], one.day]) for one in orders]
    told = (names, ids, orders, away, found.lacking, found.places.bays, found.places.mechanics)
    digest.update(repr(told).encode())
    for array in (task.cost_minor, task.leave_out_minor, task.visit_minor, task.capacity):
        digest.update(np.ascontiguousarray(array).tobytes())
    crew = task.crew
    if crew is not None:
        common = (crew.bay_min, crew.bay_fits, crew.mechanic_min, crew.skills, crew.set_up_min)
        asked = (crew.need, crew.work_min, crew.second_min, crew.wait_min)
        for one in (*common, *asked):
            digest.update(np.ascontiguousarray(one).tobytes())
        digest.update(repr(sorted(crew.has.items())).encode())
    for row in task.rows:
        if row.kind == "part":
            digest.update(np.ascontiguousarray(row.use).tobytes())
    digest.update(str(found.workshop.moved_minor).encode())
    return digest.hexdigest()
