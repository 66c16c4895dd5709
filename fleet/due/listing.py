"""Due dates as lists: one query, soonest first, with the state that today gives them."""

import calendar
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

from django.db.models import Count, Exists, F, Min, OuterRef, Q, QuerySet
from django.utils import timezone

from fleet import bulk
from fleet.behind import Behind
from fleet.due.calls import by_call
from fleet.due.models import DueDate, Service
from fleet.due.ordering import Order, group_column, in_order, week_of
from fleet.reads import Read, reader
from fleet.today import today_at as today_at
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot, Vehicle
from fleet.vehicles.own_unit import unit_column

STATES = ("history_unknown", "overdue", "probably_overdue", "due_this_month", "later")
PRESSING = ("overdue", "probably_overdue", "due_this_month", "later", "history_unknown")
SOONEST_FIRST = Order()
AfterKey = tuple[date, int, int]
At = Collection[str] | Mapping[int, date]  # depots by slug; or by id, with what day it is there


@dataclass(frozen=True, slots=True)
class DueRow:
    """One service of one vehicle, ready to show."""

    vehicle: str  # fleet number
    vehicle_id: int
    registration: str
    vehicle_status: str
    depot: str  # slug
    depot_name: str
    compartment: str  # slug
    compartment_name: str
    service_id: int
    service: str  # slug
    service_name: str
    kind: str  # change or check
    today: date  # at the depot
    state: str  # one of STATES
    out_of_tolerance: bool
    p10: date | None
    p50: date | None
    p90: date | None
    calendar_on: date | None
    bring_in_by: date | None
    take_a_reading_first: bool
    binding_limit: str
    binding_probability: float | None
    called: bool  # its day by calendar is that of a call
    life_used: float | None
    remaining_km: float | None
    remaining_h: float | None
    odometer_unit: str  # what the vehicle's own instrument shows: km or mi
    duty_class: str
    provisional: bool
    sort_on: date

    @property
    def days_late(self) -> int | None:
        """Days since it fell due, or likely did; nothing before that."""
        late = self.state in ("overdue", "probably_overdue") and self.p50 is not None
        return days_late(self.sort_on, self.today) if late else None

    def group(self, by: str) -> str | int:
        """What it is put together with others by: one of ``ordering.GROUPS``."""
        named = {"vehicle": self.vehicle, "service": self.service_name, "depot": self.depot_name}
        return named[by] if by in named else week_of(self.sort_on)


def days_late(due_on: date, today: date) -> int:
    """Days since something fell due, or likely did, by the depot's day."""
    return max((today - due_on).days, 0)


COLUMNS = {
    "vehicle": F("vehicle__fleet_number"),
    "registration": F("vehicle__registration"),
    "vehicle_status": F("vehicle__status"),
    "depot": F("depot__slug"),
    "depot_name": F("depot__name"),
    "compartment": F("service__compartment__slug"),
    "compartment_name": F("service__compartment__name"),
    "service": F("service__slug"),
    "service_name": F("service__name"),
    "kind": F("service__kind"),
    "bring_in_by": F("bring_in_by_on"),
    "odometer_unit": unit_column(),
    "called": by_call(),
}
FROM_ROW = (
    *("vehicle_id", "service_id", "depot_id", "history_known", "sort_on", "p10", "p50", "p90"),
    *(
        "calendar_on",
        "calendar_life",
        "calendar_life_on",
        "calendar_life_per_d",
        "take_a_reading_first",
        "binding_limit",
        "binding_probability",
    ),
    *("meter_life", "remaining_km", "remaining_h", "duty_class", "provisional"),
    *("beyond_by_reading", "beyond_tolerance_by_reading", "tolerance_until_on"),
)
PREFIX = "shown_"  # an annotation may not be called like a field
SHOWN = {field.name for field in fields(DueRow)}


def depot_days(depots: At | None, now: datetime) -> dict[int, date]:
    """Today at each depot asked for (default all)."""
    if isinstance(depots, Mapping):
        return dict(depots)
    found = Depot.objects.all() if depots is None else Depot.objects.filter(slug__in=depots)
    return {pk: today_at(zone, now) for pk, zone in found.values_list("pk", "zone")}


@dataclass(frozen=True)
class DueFilter:
    """Which due dates are wanted; by default all of vehicles in the fleet."""

    depots: At | None = None
    vehicle: str | None = None  # fleet number
    states: Collection[str] | None = None
    since: date | None = None  # of the expected day
    until: date | None = None
    service: str | None = None  # slug
    search: str = ""  # fleet number, registration or service
    rounds: bool = True  # False: without what gets no order of its own

    def days(self, now: datetime | None) -> dict[int, date]:
        """Today at each depot asked for."""
        return depot_days(self.depots, now or timezone.now())

    def rows(self, days: dict[int, date]) -> QuerySet[DueDate]:
        """The rows in the states asked for."""
        return self.narrowed(_in_states(days, self.states))

    def narrowed(self, where: Q) -> QuerySet[DueDate]:
        """Of rows under a condition those asked for, whatever their state."""
        rows = DueDate.objects.filter(where).exclude(vehicle__in=sold_vehicles())
        if self.vehicle is not None:
            rows = rows.filter(vehicle__fleet_number__iexact=self.vehicle.strip())
        if self.service is not None:
            rows = rows.filter(service__slug=self.service)
        if not self.rounds:
            rows = rows.filter(service__is_round=False)
        if self.since is not None:
            rows = rows.filter(sort_on__gte=self.since)
        if self.until is not None:
            rows = rows.filter(sort_on__lte=self.until)
        return rows.filter(_mentions(self.search)) if self.search else rows


ALL = DueFilter()


@reader
def due_rows(
    wanted: DueFilter = ALL,
    *,
    order: Order = SOONEST_FIRST,
    after: AfterKey | None = None,
    skip: int = 0,
    limit: int | None = None,
    now: datetime | None = None,
) -> Read[list[DueRow]]:
    """Due dates of vehicles in the fleet, soonest first unless ordered otherwise; at most
    ``limit`` after a key (soonest first only) or after so many rows."""
    days = wanted.days(now)
    rows = wanted.rows(days).order_by(*in_order(order, _ranked(days)))
    if after is not None:
        rows = rows.filter(Behind(("sort_on", "vehicle_id", "service_id"), after))
    named = {PREFIX + name: expression for name, expression in COLUMNS.items()}
    end = None if limit is None else skip + limit
    found = rows.values(*FROM_ROW, **named)[skip:end]
    yield [found]
    return [_row(row, days[row["depot_id"]]) for row in found]


def due_counts(wanted: DueFilter = ALL, now: datetime | None = None) -> dict[tuple[str, str], int]:
    """How many services each depot has in each state: (depot slug, state) to number."""
    found: dict[tuple[str, str], int] = {}
    for today, pks in by_day(wanted.days(now)):
        counted = {state: Count("pk", filter=condition(state, today)) for state in STATES}
        in_each = {f"in_{state}": count for state, count in counted.items()}
        rows = wanted.narrowed(Q(depot_id__in=pks)).order_by()
        for slug, *counts in rows.values_list("depot__slug").annotate(**in_each):
            found |= {(slug, state): count for state, count in zip(STATES, counts, strict=True)}
    return found


def counts_up_to(
    most: int, several: Sequence[DueFilter], now: datetime | None = None
) -> list[dict[str, int]]:
    """How many services are in each state under several filters, by one query.

    None is counted further than one beyond ``most``: what is known then is that there are more.
    """
    asked = [
        (at, state, wanted.narrowed(Q(depot_id__in=pks) & part).order_by()[: most + 1])
        for at, wanted in enumerate(several)
        for today, pks in by_day(wanted.days(now))
        for state in STATES
        for part in _parts(state, today)
    ]
    found = [dict.fromkeys(STATES, 0) for _ in several]
    counts = bulk.counted(rows.values("vehicle_id") for _, _, rows in asked)
    for (at, state, _), count in zip(asked, counts, strict=True):
        found[at][state] = min(found[at][state] + count, most + 1)
    return found


def _parts(state: str, today: date) -> Sequence[Q]:
    """What makes up a state, each part with an index by which it is counted."""
    if state != "overdue":
        return (condition(state, today),)
    by_reading, by_calendar = _overdue(today)
    # the day that it is sorted by is never ahead: by it an index is left there
    return by_reading & Q(sort_on__lte=today), by_calendar


def group_counts(
    by: str,
    groups: Collection[str | int],
    wanted: DueFilter = ALL,
    now: datetime | None = None,
) -> dict[str | int, int]:
    """How many rows some groups have under the same filters."""
    rows = wanted.rows(wanted.days(now)).annotate(together=group_column(by))
    rows = rows.filter(together__in=list(groups))
    return dict(rows.order_by().values_list("together").annotate(Count("pk")))


@dataclass(frozen=True)
class Folded:
    """The rounds of one service at one depot, in one line."""

    depot: str  # slug
    depot_name: str
    service: str  # slug
    service_name: str
    count: int
    overdue: int  # of them, or probably
    first_on: date | None  # None: of none is its history known


def folded(wanted: DueFilter, now: datetime | None = None) -> list[Folded]:
    """Rounds under a filter, by depot and service, the first to fall due first; one query for each
    day that it is somewhere."""
    found = []
    for today, pks in by_day(wanted.days(now)):
        late = condition("overdue", today) | condition("probably_overdue", today)
        rows = wanted.rows(dict.fromkeys(pks, today)).filter(service__is_round=True).order_by()
        by = ("depot__slug", "depot__name", "service__slug", "service__name")
        counted = {
            "number": Count("pk"),
            "late": Count("pk", filter=late),
            "first": Min("sort_on", filter=Q(history_known=True)),
        }
        found += [Folded(*row) for row in rows.values_list(*by).annotate(**counted)]
    return sorted(found, key=lambda one: (one.first_on or date.max, one.depot, one.service))


def services_at(depots: Depots) -> QuerySet[Service]:
    """Services that vehicles of some depots have."""
    vehicles = Vehicle.objects.filter(vehicle_type=OuterRef("vehicle_type"), depot__in=depots)
    return Service.objects.filter(Exists(vehicles))


def _ranked(days: dict[int, date]) -> dict[date, list[tuple[Q, int]]]:
    """Which rows are in which state on each day that it is somewhere, most pressing first."""
    return {
        today: [
            (Q(depot_id__in=pks) & condition(state, today), rank)
            for rank, state in enumerate(PRESSING)
        ]
        for today, pks in by_day(days)
    }


def condition(state: str, today: date) -> Q:
    """The rows that are in a state on a day, as a condition the database can use."""
    known = Q(history_known=True)
    by_reading, by_calendar = _overdue(today)
    not_passed = Q(beyond_by_reading=False) & (Q(calendar_on=None) | Q(calendar_on__gte=today))
    month_end = _month_end(today)
    return {
        "history_unknown": Q(history_known=False),
        "overdue": by_reading | by_calendar,
        "probably_overdue": known & not_passed & Q(sort_on__lt=today),
        "due_this_month": known & not_passed & Q(sort_on__range=(today, month_end)),
        "later": known & not_passed & Q(sort_on__gt=month_end),
    }[state]


def _overdue(today: date) -> tuple[Q, Q]:
    """The rows that a reading says are overdue, and those that the calendar alone says."""
    return (
        Q(history_known=True, beyond_by_reading=True),
        Q(history_known=True, beyond_by_reading=False, calendar_on__lt=today),
    )


def sold_vehicles() -> QuerySet[Vehicle]:
    """What due dates of the whole fleet leave out: few, where a join would read every vehicle."""
    return Vehicle.objects.filter(status=Vehicle.Status.SOLD)


def state_on(row: dict[str, Any], today: date) -> str:
    """The state of one row; the first that holds, in the order of ``STATES``."""
    if not row["history_known"]:
        return "history_unknown"
    calendar_on = row["calendar_on"]
    if row["beyond_by_reading"] or (calendar_on is not None and calendar_on < today):
        return "overdue"
    if row["sort_on"] < today:
        return "probably_overdue"
    return "due_this_month" if row["sort_on"] <= _month_end(today) else "later"


def life_used(row: dict[str, Any], today: date) -> float | None:
    """Share of the interval used: the larger of what meters and calendar say; 1 at the limit."""
    lives = [row["meter_life"]] if row["meter_life"] is not None else []
    if row["calendar_life"] is not None:
        days = (today - row["calendar_life_on"]).days
        lives.append(row["calendar_life"] + days * row["calendar_life_per_d"])
    elif row["calendar_on"] is not None and row["calendar_life_per_d"] is not None:
        # a row that no night has computed since the line was kept with its first day
        lives.append(1 - (row["calendar_on"] - today).days * row["calendar_life_per_d"])
    return max(0.0, *lives) if lives else None


def _month_end(today: date) -> date:
    return today.replace(day=calendar.monthrange(today.year, today.month)[1])


def by_day(days: dict[int, date]) -> Iterator[tuple[date, list[int]]]:
    """Depots by what day it is there: one group, or two around midnight."""
    grouped: dict[date, list[int]] = defaultdict(list)
    for pk, today in days.items():
        grouped[today].append(pk)
    yield from grouped.items()


def _in_states(days: dict[int, date], states: Collection[str] | None) -> Q:
    if states is None:
        return Q(depot_id__in=list(days))
    found = Q(pk__in=[])
    for today, pks in by_day(days):
        for state in states:
            found |= Q(depot_id__in=pks) & condition(state, today)
    return found


def _mentions(search: str) -> Q:
    return (
        Q(vehicle__fleet_number__icontains=search)
        | Q(vehicle__registration__icontains=search)
        | Q(service__name__icontains=search)
    )


def _row(row: dict[str, Any], today: date) -> DueRow:
    tolerance_on = row["tolerance_until_on"]
    late = tolerance_on is not None and tolerance_on < today
    named = {name.removeprefix(PREFIX): value for name, value in row.items()}
    shown = {name: value for name, value in named.items() if name in SHOWN}
    return DueRow(
        **shown,
        today=today,
        life_used=life_used(row, today),
        state=state_on(row, today),
        out_of_tolerance=bool(row["beyond_tolerance_by_reading"]) or late,
    )
