"""How much work falls due in each week ahead, as a distribution, and what a workshop can do.

Only what is due next counts: not what comes after it is done. What is late already stands apart,
for it is no matter of chance in which week it falls.
"""

import json
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.db import connection, transaction

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.calc.common_factor import RHO_STEP, nodes
from fleet.calc.convolve import added, total
from fleet.calc.stamps import digest
from fleet.calc.weeks_ahead import Moments, moments, outcomes
from fleet.consumables.ahead import Calendar, Stretch
from fleet.consumables.gather import day_number
from fleet.consumables.learn import sigmas
from fleet.due.gather import utc_offsets
from fleet.due.late import late_rows
from fleet.due.rules import Basis, gather_basis
from fleet.overview import parts
from fleet.overview.models import WorkAhead
from fleet.overview.parts import Changed, Ground, Part
from fleet.reads import Ids, Rows, fetch, prepared
from fleet.visits.labour import NO_PROCEDURE_MIN
from fleet.visits.models import Workshop
from fleet.visits.places import gather_places
from fleet.workorders.book_minutes import OF_SERVICE

WEEKS = 12  # our choice
FEW = 12  # vehicles with a part in a week; the total of more is as good as normal; our choice
SMALL = 400  # parts in all weeks together; a depot with more has few weeks with few; our choice
WRITTEN_AT_ONCE = 5_000  # vehicles; our choice
STEP_MIN = 5  # minutes are rounded to it, so that they add up on one grid; our choice
LIKELY = (0.1, 0.9)  # our choice
Z_90 = 1.2815515655446004  # of the normal distribution
MINUTES = {"mean_min": 2, "var_min": 2, "low_min": 1, "high_min": 1}  # with their decimals
SERVICES = {"mean": 4, "var": 4, "low": 2, "high": 2}
LATE = ("overdue", "overdue_min", "probably", "probably_min")
Law = dict[str, float]  # of one week, by the names of both


@dataclass(frozen=True)
class Week:
    """What falls due from one day up to another, and the minutes a workshop has then.

    Mean, variance, and the two ends of four cases in five; ``capacity_min`` None: nothing is
    entered about the workshop.
    """

    begin_on: str
    end_on: str  # the first day after it
    mean_min: float
    var_min: float
    low_min: float
    high_min: float
    mean: float  # services
    var: float
    low: float
    high: float
    capacity_min: float | None


def forecast_weeks(today: date, depot_ids: Collection[int], basis: Basis | None = None) -> int:
    """Bring the weeks ahead of some depots up to date, where anything that they rest on is
    another; give the number of rows written."""
    ground_of = _grounds(today, sorted(depot_ids), basis or gather_basis())
    late, without_sums, workshops = _late(today, ground_of), _before(depot_ids), _at(depot_ids)
    fetch((without_sums, workshops))
    kept = {row.depot_id: row for row in without_sums}
    rows = {pk: kept.get(pk) or WorkAhead(depot_id=pk) for pk in ground_of}
    stamps = _stamps(ground_of)
    anew = [pk for pk, stamp in stamps.items() if pk not in kept or kept[pk].inputs != stamp]
    for pk in anew:
        rows[pk].sums, rows[pk].weeks, rows[pk].inputs = {}, [], stamps[pk]
    now = parts.changed(ground_of, anew)
    if moved := set(now.depot_id.tolist()) - set(anew):  # large, and of no use to the others
        for pk, sums in WorkAhead.objects.filter(depot__in=moved).values_list("depot", "sums"):
            rows[pk].sums = sums
    capacity = dict.fromkeys(ground_of) | {one.depot_id: _capacity(one, today) for one in workshops}
    return sum(
        _some_depots([rows[pk] for pk in some], ground_of, now.at(some), late, capacity)
        for some in _few_at_once(list(ground_of), now)
    )


def _few_at_once(depot_ids: Sequence[int], now: Changed) -> Iterator[list[int]]:
    """Depots in turn; as many together as have few vehicles that changed."""
    of_depot = Counter(now.depot_id.tolist())
    some, vehicles = list[int](), 0
    for pk in depot_ids:
        vehicles += of_depot[pk]
        if some and vehicles > WRITTEN_AT_ONCE:
            yield some
            some, vehicles = [], of_depot[pk]
        some.append(pk)
    if some:
        yield some


# --- gather ------------------------------------------------------------------------------
@prepared
def _before(depot_ids: Ids) -> Rows:
    return WorkAhead.objects.filter(depot__in=depot_ids).defer("sums")


@prepared
def _at(depot_ids: Ids) -> Rows:
    return Workshop.objects.filter(depot__in=depot_ids).select_related("depot")


def _grounds(today: date, depot_ids: Sequence[int], basis: Basis) -> dict[int, Ground]:
    minutes, calendar, sigma = minutes_of_services(), weeks_from(today), sigmas(today)
    offsets = utc_offsets(np.array(depot_ids), basis.depots.zone)
    return {
        depot_id: Ground(
            today,
            calendar,
            minutes,
            {type_id: one for (pk, type_id), one in sigma.items() if pk == depot_id},
            float(offset_d),
            basis.rules,
        )
        for depot_id, offset_d in zip(depot_ids, offsets, strict=True)
    }


def _stamps(ground_of: Mapping[int, Ground]) -> dict[int, int]:
    """What the weeks of each depot rest on, as one number; most depots share it."""
    own = {
        pk: (tuple(ground.sigma.items()), ground.utc_offset_d) for pk, ground in ground_of.items()
    }
    one_of = {own[pk]: ground for pk, ground in ground_of.items()}
    stamps = {key: _stamp(ground) for key, ground in one_of.items()}
    return {pk: stamps[key] for pk, key in own.items()}


def _stamp(ground: Ground) -> int:
    rests_on = ground.calendar.edges_d, ground.minutes, ground.sigma, ground.utc_offset_d
    return digest([*rests_on, ground.rules.widening])


def minutes_of_services() -> dict[int, int]:
    """Labour by the book, a second person's too; rounds join other visits and are left out."""
    sql = f"""
        SELECT s.id, {OF_SERVICE}, n.second_min FROM due_service s
        LEFT JOIN workorders_procedure p ON p.service_id = s.id
        LEFT JOIN visits_serviceneed n ON n.service_id = s.id WHERE NOT s.is_round"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql)
        rows = cursor.fetchall()
    return {pk: _rounded((own or NO_PROCEDURE_MIN) + (second or 0)) for pk, own, second in rows}


def _rounded(minutes: int) -> int:
    return max(STEP_MIN, STEP_MIN * round(minutes / STEP_MIN))


def weeks_from(today: date) -> Calendar:
    """The rest of this week, and eleven whole ones."""
    monday = today + timedelta(days=7 - today.weekday())
    begins = [today, *(monday + timedelta(weeks=at) for at in range(WEEKS - 1))]
    ends_d = np.array(
        [day_number(monday + timedelta(weeks=at)) for at in range(WEEKS)], dtype=float
    )
    stretches = [
        Stretch(at - 1, at, float(day_number(begin)), float(ends_d[at]))
        for at, begin in enumerate(begins)
    ]
    return Calendar(day_number(today), ends_d, begins, stretches, {})


def _late(today: date, ground_of: dict[int, Ground]) -> dict[int, dict[str, int]]:
    """How much is overdue at each depot, for certain or probably."""
    facts = {pk: dict.fromkeys(LATE, 0) for pk in ground_of}
    rows, params = late_rows(today)
    here, depots = bulk.among("depot_id", np.array(sorted(ground_of)))
    sql = f"""
        SELECT depot_id, service_id, SUM(CASE WHEN overdue THEN 1 ELSE 0 END), COUNT(*)
        FROM ({rows}) l WHERE {here} GROUP BY depot_id, service_id"""  # noqa: S608
    kinds = dict.fromkeys(("depot_id", "service_id", "overdue", "late"), "i8")
    found = bulk.read(sql, [*params, *depots], kinds)
    for pk, service_id, overdue, late in zip(
        *(one.tolist() for one in found.values()), strict=True
    ):
        if service_id in ground_of[pk].minutes:
            minutes, own = ground_of[pk].minutes[service_id], facts[pk]
            for name, number in (("overdue", overdue), ("probably", late - overdue)):
                own[name] += number
                own[f"{name}_min"] += number * minutes
    return facts


def _capacity(workshop: Workshop, today: date) -> Array:
    """Minutes of each day ahead that are for planned work."""
    places = gather_places(workshop.depot, workshop, today, 7 * WEEKS)
    least = np.minimum(places.mechanic_min.sum(axis=0), places.bay_min.sum(axis=0))
    return workshop.may_plan(least)


# --- compute -----------------------------------------------------------------------------
def _some_depots(
    rows: Sequence[WorkAhead],
    ground_of: Mapping[int, Ground],
    now: Changed,
    late: Mapping[int, dict[str, int]],
    capacity: Mapping[int, Array | None],
) -> int:
    """Compute and record; the sums and the parts that are in them change together."""
    before = {row.depot_id: _told(row) for row in rows}
    moved, onwards = set(now.depot_id.tolist()), [row for row in rows if row.weeks]
    for row in rows:
        if row.depot_id in moved and not row.weeks:
            _anew(row, ground_of[row.depot_id], now.at([row.depot_id]))
    now = now.at([row.depot_id for row in onwards])
    fresh = _follow(onwards, ground_of, now)
    with transaction.atomic() if moved else nullcontext():
        parts.record(now, fresh)
        for row in rows:
            pk = row.depot_id
            _tell(row, ground_of[pk], late[pk], capacity[pk], same=pk not in moved)
        changed = [row for row in rows if row.depot_id in moved or _told(row) != before[row.pk]]
        _record(changed)
    return len(changed)


def _follow(
    rows: Sequence[WorkAhead], ground_of: Mapping[int, Ground], now: Changed
) -> Sequence[Part]:
    """Take away from the sums what vehicles brought, and add what they bring, which is given."""
    if not len(now.vehicle_id):
        return []
    gone, fresh = parts.kept_parts(now), list(parts.parts_of(ground_of, now))
    totals = {row.depot_id: _totals(row) for row in rows}
    parts.add(totals, fresh, ground_of[rows[0].depot_id].minutes, gone)
    for row in rows:
        _keep(row, totals[row.depot_id])
    return fresh


def _totals(row: WorkAhead) -> parts.Sums:
    return {int(key): np.array(one, np.int64) for key, one in row.sums.items()}


def _keep(row: WorkAhead, totals: parts.Sums) -> None:
    row.sums = {str(key): one.tolist() for key, one in totals.items() if one.any()}


def _anew(row: WorkAhead, ground: Ground, now: Changed) -> None:
    """Count all from the beginning, some vehicles at a time. Until the row of the depot says again
    on what its sums rest, whoever comes next begins anew; so parts may be written bit by bit."""
    WorkAhead.objects.filter(depot=row.depot_id).update(inputs=0)
    totals = _totals(row)
    for begin in range(0, len(now.vehicle_id), WRITTEN_AT_ONCE):
        some = now.take(slice(begin, begin + WRITTEN_AT_ONCE))
        fresh = list(parts.parts_of({row.depot_id: ground}, some))
        parts.add({row.depot_id: totals}, fresh, ground.minutes)
        with transaction.atomic():
            parts.record(some, fresh)
    _keep(row, totals)


def _tell(
    row: WorkAhead, ground: Ground, late: dict[str, int], capacity: Array | None, *, same: bool
) -> None:
    laws = _kept_laws(row) if same and row.weeks else _laws(row, ground)
    weeks = _weeks(ground.calendar, laws, capacity)
    row.as_of_on, row.weeks = ground.today, [vars(week) for week in weeks]
    for name, value in late.items():
        setattr(row, name, value)


def _record(rows: Sequence[WorkAhead]) -> None:
    names = [field.attname for field in WorkAhead._meta.concrete_fields]
    same = [name for name in names if name != "sums"]
    whole = [row for row in rows if not row.get_deferred_fields()]
    if whole:
        bulk.upsert(WorkAhead, _listed(whole, names), ["depot_id"])
    if rest := [row for row in rows if row.get_deferred_fields()]:
        bulk.update(WorkAhead, _listed(rest, same), "depot_id")


def _listed(rows: Sequence[WorkAhead], names: Sequence[str]) -> bulk.Columns:
    return {
        name: np.array([_plain(getattr(row, name)) for row in rows], dtype=object) for name in names
    }


def _plain(value: Any) -> Any:
    """As the database takes it."""
    if isinstance(value, dict | list):
        return json.dumps(value)
    return value.isoformat() if isinstance(value, date) else value


def _told(row: WorkAhead) -> tuple[object, ...]:
    late = row.overdue, row.overdue_min, row.probably, row.probably_min
    return row.as_of_on, row.weeks, row.inputs, *late


def _kept_laws(row: WorkAhead) -> list[Law]:
    return [{name: week[name] for name in (*MINUTES, *SERVICES)} for week in row.weeks]


def _laws(row: WorkAhead, ground: Ground) -> list[Law]:
    """Types are independent of each other."""
    sums = [np.array(one, np.int64) for one in row.sums.values()]
    found = [moments([one[at] for one in sums]) for at in range(WEEKS)]
    small = sum(week.vehicles for week in found) <= SMALL
    own = parts.by_type(parts.parts_at(row.depot_id)) if small else {}
    return [
        _exact(week, at, own, ground) if small and week.vehicles <= FEW else _normal(week)
        for at, week in enumerate(found)
    ]


def _normal(week: Moments) -> Law:
    ends = Z_90 * np.sqrt(week.var)
    return _law(week, np.maximum(week.mean - ends, 0.0).tolist(), (week.mean + ends).tolist())


def _exact(week: Moments, at: int, own: dict[int, list[Part]], ground: Ground) -> Law:
    """Of few vehicles: the ends of their whole distribution."""
    runs = [parts.runs_of(some, ground.minutes) for some in own.values()]
    ends = []
    for each in ([one.minutes for one in runs], [np.ones_like(one.minutes) for one in runs]):
        laws = [
            total(outcomes(one, at, weight), one.rho[:, at] * RHO_STEP, nodes()).mixed()
            for one, weight in zip(runs, each, strict=True)
        ]
        law = added(laws)
        ends.append([float(law.quantile(level)) for level in LIKELY])
    low, high = zip(*ends, strict=True)
    return _law(week, low, high)


def _law(week: Moments, low: Sequence[float], high: Sequence[float]) -> Law:
    mean, var = week.mean.tolist(), week.var.tolist()
    return {
        name: round(figure, decimals)
        for names, *figures in zip((MINUTES, SERVICES), mean, var, low, high, strict=True)
        for (name, decimals), figure in zip(names.items(), figures, strict=True)
    }


def _weeks(calendar: Calendar, laws: Sequence[Law], capacity: Array | None) -> list[Week]:
    return [
        Week(
            begin_on=_day(stretch.begin_d),
            end_on=_day(stretch.end_d),
            capacity_min=_within(capacity, stretch, calendar.today_d),
            **law,
        )
        for stretch, law in zip(calendar.months, laws, strict=True)
    ]


def _within(capacity: Array | None, stretch: Stretch, today_d: int) -> float | None:
    if capacity is None:
        return None
    days = capacity[int(stretch.begin_d) - today_d : int(stretch.end_d) - today_d]
    return round(float(days.sum()), 1)


def _day(day_d: float) -> str:
    return str(np.datetime64(int(day_d), "D"))
