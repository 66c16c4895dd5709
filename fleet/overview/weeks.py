"""How much work falls due in each week ahead, as a distribution, and what a workshop can do.

Only what is due next counts: not what comes after it is done. What is late already stands apart,
for it is no matter of chance in which week it falls.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, timedelta

import numpy as np
from django.db.models import Case, Value, When

from fleet.calc.arrays import Array
from fleet.calc.common_factor import USUAL_SIGMA, nodes
from fleet.calc.convolve import Conditional, Distribution, added, combined, total
from fleet.calc.demand import Repeats, Services, counts_before
from fleet.calc.level_paths import LEVELS
from fleet.calc.stamps import digest
from fleet.consumables.ahead import Calendar, Stretch, Ways, rho_of
from fleet.consumables.gather import Class, day_number, gather
from fleet.consumables.learn import sigmas
from fleet.due.gather import utc_offsets
from fleet.due.listing import condition
from fleet.due.models import DueDate, Service
from fleet.due.rules import Basis, gather_basis
from fleet.overview.models import WorkAhead
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.labour import NO_PROCEDURE_MIN
from fleet.visits.models import ServiceNeed, Workshop
from fleet.visits.places import gather_places
from fleet.workorders.models import Procedure

WEEKS = 12  # our choice
MANY = 30  # vehicles with a part in a week; the total of more is as good as normal; our choice
MARGIN_D = 28  # beyond these weeks, that an earliest likely day may lie and count; our choice
STEP_MIN = 5  # minutes are rounded to it, so that they add up on one grid; our choice
LIKELY = (0.1, 0.9)  # our choice
Z_90 = 1.2815515655446004  # of the normal distribution
SHORT_LEAST_H = 1.0  # a smaller lack of hours is not told; our choice


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
    basis = basis or gather_basis()
    minutes, sigma = minutes_of_services(), sigmas(today)
    calendar, written = weeks_from(today), 0
    kept = dict(WorkAhead.objects.values_list("depot", "inputs"))
    for depot in Depot.objects.filter(pk__in=depot_ids).order_by("pk"):
        late, facts = _late(depot, today, minutes)
        wanted = Wanted(
            minutes,
            np.setdiff1d(_near(depot, today), late),
            sigma,
            depot.pk,
            float(utc_offsets(np.array([depot.pk]), basis.depots.zone)[0]),
            basis.rules.widening,
        )
        classes, capacity = list(gather(depot.pk, basis.rules)), _capacity(depot, today)
        inputs = digest([calendar, classes, wanted, facts, capacity])
        if kept.get(depot.pk) != inputs:
            weeks = _weeks(calendar, _laws(classes, calendar, wanted), capacity)
            values = {"as_of_on": today, "weeks": [asdict(one) for one in weeks], **facts}
            WorkAhead.objects.update_or_create(depot=depot, defaults={**values, "inputs": inputs})
            written += 1
    return written


@dataclass(frozen=True)
class Wanted:
    """What beside the rows of a depot its weeks rest on."""

    minutes: dict[int, int]  # by service; one that is not in it is not counted
    keys: Array  # vehicle and service of each that may fall due in these weeks, in one number
    sigma: dict[tuple[int, int], float]
    depot_id: int
    utc_offset_d: float
    widening: float


def minutes_of_services() -> dict[int, int]:
    """Labour by the book, a second person's too; rounds join other visits and are left out."""
    minutes = dict(Procedure.objects.values_list("service", "minutes"))
    second = dict(ServiceNeed.objects.values_list("service", "second_min"))
    ids = Service.objects.filter(is_round=False).values_list("pk", flat=True)
    return {pk: _rounded((minutes.get(pk) or NO_PROCEDURE_MIN) + second.get(pk, 0)) for pk in ids}


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


def _late(depot: Depot, today: date, minutes: dict[int, int]) -> tuple[Array, dict[str, int]]:
    """What is overdue, for certain or probably: its keys, and how much it is."""
    keys, facts = [], {}
    names = {"overdue": "overdue", "probably_overdue": "probably"}
    states = {name: condition(state, today) for state, name in names.items()}
    rows = DueDate.objects.filter(states["overdue"] | states["probably"], vehicle__depot=depot)
    rows = rows.exclude(vehicle__status=Vehicle.Status.SOLD)
    told = rows.annotate(late=Case(*[When(its, then=Value(name)) for name, its in states.items()]))
    counted = [one for one in told.values_list("late", "vehicle", "service") if one[2] in minutes]
    for name in names.values():
        found = [pair for late, *pair in counted if late == name]
        keys += [_key(*one) for one in found]
        facts[name] = len(found)
        facts[f"{name}_min"] = sum(minutes[service] for _, service in found)
    return np.array(keys, dtype=np.int64), facts


def _near(depot: Depot, today: date) -> Array:
    """Keys of what may well fall due in these weeks; that of a later earliest likely day will not,
    and leaving it out saves most of the work."""
    last = today + timedelta(weeks=WEEKS) + timedelta(days=MARGIN_D)
    rows = DueDate.objects.filter(depot=depot, history_known=True, p10__lte=last)
    return np.array([_key(*one) for one in rows.values_list("vehicle", "service")], dtype=np.int64)


def _key(vehicle_id: int, service_id: int) -> int:
    return vehicle_id * 2**31 + service_id


# --- compute -----------------------------------------------------------------------------
Laws = list[tuple[Distribution, Distribution]]  # by week: minutes, services


def _laws(classes: Iterable[Class], calendar: Calendar, wanted: Wanted) -> Laws:
    """Vehicles of a type share a factor; types are independent of each other."""
    found: dict[int, list[tuple[list[Conditional], list[Conditional]]]] = defaultdict(
        lambda: [([], []) for _ in range(WEEKS)]
    )
    for group in classes:
        _add(found[group.type_id], group, calendar, wanted)
    return [
        (
            added([combined(weeks[at][0]).mixed() for weeks in found.values()]),
            added([combined(weeks[at][1]).mixed() for weeks in found.values()]),
        )
        for at in range(WEEKS)
        if found
    ]


def _add(
    weeks: Sequence[tuple[list[Conditional], list[Conditional]]],
    group: Class,
    calendar: Calendar,
    wanted: Wanted,
) -> None:
    ways = Ways.of(group, calendar, wanted.utc_offset_d, wanted.widening)
    sigma = wanted.sigma.get((wanted.depot_id, group.type_id), USUAL_SIGMA)
    z = nodes() if sigma > 0 else nodes(1)
    minutes = np.array([wanted.minutes.get(pk, 0) for pk in group.service_id.tolist()], np.int64)
    key = group.vehicle_id[group.vehicle] * 2**31 + group.service_id
    counted = np.flatnonzero((minutes > 0) & np.isin(key, wanted.keys))
    vehicle, services = group.vehicle[counted], _taken(group.services, counted)
    before = counts_before(services, ways.km, ways.hours, calendar.today_d, calendar.edges_d)
    before = np.minimum(before, 1)  # the one that is due next, and none after it
    for at, stretch in enumerate(calendar.months):
        due_now = before[:, at].astype(np.int64)
        if at:
            due_now -= before[:, at - 1]
        rho = rho_of(group, ways, stretch, sigma)
        for part, weight in zip(weeks[at], (minutes[counted], np.ones_like(vehicle)), strict=True):
            outcomes = np.zeros((len(group.vehicle_id), LEVELS.size), dtype=np.int64)
            np.add.at(outcomes, vehicle, weight[:, None] * due_now)
            part.append(total(outcomes, rho, z, MANY))


def _taken(services: Services, rows: Array) -> Services:
    """Some rows of services."""
    own = {one.name: getattr(services.repeats, one.name)[rows] for one in fields(Repeats)}
    columns = {one.name: getattr(services, one.name) for one in fields(Services)}
    del columns["repeats"]
    taken = {name: column[rows] for name, column in columns.items()}
    return Services(**taken, repeats=Repeats(**own))


def _capacity(depot: Depot, today: date) -> Array | None:
    """Minutes of each day ahead that are for planned work; None: no workshop is entered."""
    workshop = Workshop.objects.filter(depot=depot).first()
    if workshop is None:
        return None
    days = 7 * WEEKS
    places = gather_places(depot, workshop, today, days)
    least = np.minimum(places.mechanic_min.sum(axis=0), places.bay_min.sum(axis=0))
    return workshop.may_plan(least)


def _weeks(calendar: Calendar, laws: Laws, capacity: Array | None) -> list[Week]:
    laws = laws or [(added([]), added([]))] * WEEKS
    return [
        _week(stretch, law, _within(capacity, stretch, calendar.today_d))
        for stretch, law in zip(calendar.months, laws, strict=True)
    ]


def _within(capacity: Array | None, stretch: Stretch, today_d: int) -> float | None:
    if capacity is None:
        return None
    return float(capacity[int(stretch.begin_d) - today_d : int(stretch.end_d) - today_d].sum())


def _week(
    stretch: Stretch, law: tuple[Distribution, Distribution], capacity_min: float | None
) -> Week:
    minutes, services = law
    return Week(
        begin_on=_day(stretch.begin_d),
        end_on=_day(stretch.end_d),
        mean_min=round(minutes.mean, 2),
        var_min=round(minutes.var, 2),
        low_min=float(minutes.quantile(LIKELY[0])),
        high_min=float(minutes.quantile(LIKELY[1])),
        mean=round(services.mean, 4),
        var=round(services.var, 4),
        low=float(services.quantile(LIKELY[0])),
        high=float(services.quantile(LIKELY[1])),
        capacity_min=None if capacity_min is None else round(capacity_min, 1),
    )


def _day(day_d: float) -> str:
    return str(np.datetime64(int(day_d), "D"))


# --- read --------------------------------------------------------------------------------
@dataclass(frozen=True)
class Bar:
    """Hours or services of one week at the depots chosen."""

    begin_on: date
    end_on: date
    mean: float
    low: float
    high: float
    capacity: float | None  # hours, where every depot's workshop is known


@dataclass(frozen=True)
class Short:
    """A week in which a workshop has fewer hours than fall due."""

    depot: str
    begin_on: date
    hours_h: float


@dataclass(frozen=True)
class Load:
    """The weeks ahead at some depots, in hours or services."""

    as_of_on: date
    overdue: float
    probably: float
    bars: Sequence[Bar]


def rows_of(depots: Collection[Depot]) -> list[WorkAhead]:
    """What the nights kept; one query."""
    return list(WorkAhead.objects.filter(depot__in=depots).select_related("depot"))


def load(rows: Sequence[WorkAhead], *, services: bool = False) -> Load | None:
    """Several depots together: means and variances add up, and the ends are those of a normal
    distribution; one depot has its own."""
    if not rows:
        return None
    by_week: dict[str, list[Week]] = defaultdict(list)
    for row in rows:
        for week in row.weeks:
            by_week[week["end_on"]].append(Week(**week))
    bars = [_bar(by_week[end_on], services) for end_on in sorted(by_week)[:WEEKS]]
    if services:
        late = (float(sum(row.overdue for row in rows)), float(sum(row.probably for row in rows)))
    else:
        late = (
            sum(row.overdue_min for row in rows) / 60,
            sum(row.probably_min for row in rows) / 60,
        )
    return Load(min(row.as_of_on for row in rows), *late, bars)


def _bar(weeks: Sequence[Week], services: bool) -> Bar:
    unit = 1.0 if services else 60.0
    one = weeks[0]
    mean = sum(week.mean if services else week.mean_min for week in weeks)
    var = sum(week.var if services else week.var_min for week in weeks)
    low, high = (one.low, one.high) if services else (one.low_min, one.high_min)
    if len(weeks) > 1:
        low, high = max(0.0, mean - Z_90 * var**0.5), mean + Z_90 * var**0.5
    capacity = [week.capacity_min for week in weeks]
    known = not services and None not in capacity
    return Bar(
        date.fromisoformat(min(week.begin_on for week in weeks)),
        date.fromisoformat(one.end_on),
        mean / unit,
        low / unit,
        high / unit,
        sum(filter(None, capacity)) / 60 if known else None,
    )


def first_short(rows: Sequence[WorkAhead]) -> Short | None:
    """The first week in which more falls due at a depot than its workshop has hours for, what is
    carried over counted in the first; of several the one that lacks most."""
    found = [short for row in rows for short in _shorts(row)]
    return min(found, key=lambda one: (one.begin_on, -one.hours_h), default=None)


def _shorts(row: WorkAhead) -> Iterable[Short]:
    """What falls due while a workshop is closed waits for the next week."""
    waiting_min = float(row.overdue_min + row.probably_min)
    for week in (Week(**one) for one in row.weeks):
        if week.capacity_min is None:
            return
        waiting_min += week.mean_min
        if week.capacity_min <= 0:
            continue
        lacking_h = (waiting_min - week.capacity_min) / 60
        if lacking_h >= SHORT_LEAST_H:
            yield Short(row.depot.name, date.fromisoformat(week.begin_on), lacking_h)
        waiting_min = 0.0
