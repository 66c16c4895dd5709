"""Work orders as they are listed: the open ones of some depots, and a mechanic's day."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.http import Http404, QueryDict

from fleet.dashboard.filters import typed_day
from fleet.dashboard.whole_numbers import whole_number
from fleet.people.models import Person
from fleet.people.roles import depots_listed, whose_depots
from fleet.reads import Rows, prepared
from fleet.vehicles.find import Depots
from fleet.workorders import listing
from fleet.workorders.listing import AT_WORK
from fleet.workorders.models import WorkOrder
from fleet.workorders.models.orders import NO_DAY_FIRST, NO_DAY_LAST
from fleet.workorders.stops import stops

State = WorkOrder.State
STATES = (*WorkOrder.OPEN, State.SIGNED_OFF, State.CANCELLED)
NO_DAY = "none"  # as a filter: not planned yet
AfterOrder = tuple[date, int]
JobOfList = tuple[int, str, int]  # id, title, minutes


@dataclass(frozen=True)
class OrderLine:
    pk: int
    number: str
    version: int
    state: str
    vehicle: str  # fleet number
    vehicle_id: int
    registration: str
    depot_name: str
    zone: str  # of the depot's clock
    outside: bool
    planned_on: date | None
    late: bool  # planned for a day that has passed
    assigned_to: str
    waiting_for: str
    waiting_since: datetime | None
    jobs: tuple[str, ...]
    minutes: int
    do_not_use: str  # the reason; empty: the vehicle may be used
    restrictions: tuple[str, ...]  # that stand on it
    bring_in_by: date | None = None  # the earliest of its open jobs


@dataclass(frozen=True)
class OrderFilters:
    """What the list is narrowed to, as it stands in the address."""

    depot: str = ""
    states: tuple[str, ...] = ()  # none chosen: every open one
    day: str = ""  # a date, or that none is planned
    search: str = ""  # order or fleet number
    by_day: bool = False  # in order of the day planned; else the most urgent first
    faults: tuple[str, ...] = ()

    @property
    def query(self) -> str:
        pairs = [("depot", self.depot), ("day", self.day), ("search", self.search)]
        pairs += [("sort", "day" * self.by_day)]
        pairs += [("state", state) for state in self.states]
        return urlencode([(name, value) for name, value in pairs if value])

    @property
    def narrowed(self) -> bool:
        return bool(self.states or self.day or self.search)

    @property
    def on(self) -> date | None:
        return typed_day(self.day)

    def toggled(self, state: str) -> "OrderFilters":
        chosen = set(self.states) ^ {state}
        return replace(self, states=tuple(str(one) for one in STATES if one in chosen))


def read_order_filters(query: QueryDict) -> OrderFilters:
    chosen, day = query.getlist("state"), query.get("day", "").strip()
    faults = [f"There is no state “{state[:40]}”." for state in chosen if state not in STATES]
    if day and day != NO_DAY and typed_day(day) is None:
        faults.append(f"“{day[:40]}” is not a date: write it as 2026-03-31.")
        day = ""
    return OrderFilters(
        depot=query.get("depot", ""),
        states=tuple(str(state) for state in STATES if state in chosen),
        day=day,
        search=query.get("search", "").strip(),
        by_day=query.get("sort") == "day",
        faults=tuple(faults),
    )


def order_seen_by(person: Person, number: str) -> WorkOrder:
    """An order of one of the person's depots; any other is not found."""
    found: Sequence[WorkOrder] = _numbered(whose_depots(person), number.strip().upper())
    if not found:
        raise Http404
    return found[0]


@prepared
def _numbered(person_id: int | None, number: str) -> Rows:
    seen = WorkOrder.objects.filter(depot__in=depots_listed(person_id), number=number)
    beside = ("vehicle__vehicle_type", "vehicle__depot", "depot", "assigned_to", "reading")
    return seen.select_related(*beside)


def narrowed(depots: Depots, filters: OrderFilters) -> QuerySet[WorkOrder]:
    """Orders of some depots as far as the list is narrowed to them."""
    rows = listing.orders_at(depots, filters.states or WorkOrder.OPEN)
    if filters.day:
        rows = listing.planned_for(rows, filters.on)
    if filters.search:
        rows = listing.mentioning(rows, filters.search)
    return rows


def drafts_of(depots: Depots, filters: OrderFilters) -> QuerySet[WorkOrder]:
    """Drafts among the orders on the list; asked for as such, not as some of all that is open:
    PostgreSQL would take them for fewer than they are."""
    if filters.states and State.DRAFTED not in filters.states:
        return WorkOrder.objects.none()
    return narrowed(depots, replace(filters, states=(str(State.DRAFTED),)))


def listed(
    depots: Depots, filters: OrderFilters, after: AfterOrder | None = None
) -> QuerySet[WorkOrder]:
    """Orders of some depots, the most urgent first; or by the day they are planned for, those
    without a day first."""
    rows = narrowed(depots, filters)
    rows = listing.in_order_of_day(rows) if filters.by_day else listing.by_urgency(rows)
    return rows if after is None else listing.after(rows, *after)


def read_order_after(text: str) -> AfterOrder | None:
    """The key of the last order shown, as '2026-03-04.17'."""
    day, _, pk = text.partition(".")
    on = typed_day(day)
    return None if on is None or not pk.isdecimal() else (on, whole_number(pk))


def order_key(line: OrderLine, filters: OrderFilters) -> str:
    if filters.by_day:
        return day_key(line)
    return f"{line.bring_in_by or NO_DAY_LAST}.{line.pk}"


def day_key(line: OrderLine) -> str:
    """The key of an order in a list by the day planned."""
    return f"{line.planned_on or NO_DAY_FIRST}.{line.pk}"


def order_lines(rows: QuerySet[WorkOrder], days: dict[int, date]) -> list[OrderLine]:
    """Lines of orders, two queries whatever their number; ``days`` is today at each depot."""
    rows = listing.with_jobs(rows, ["pk", "title", "minutes"])
    found = list(rows.select_related("vehicle", "depot", "assigned_to"))
    return _lines(found, days)


def _lines(found: Sequence[Any], days: dict[int, date]) -> list[OrderLine]:
    stand = stops([order.vehicle_id for order in found])
    return [
        replace(
            _line(order, days, sorted(order.job_list or ())),
            do_not_use=stand.do_not_use.get(order.vehicle_id, ""),
            restrictions=tuple(stand.restricted.get(order.vehicle_id, ())),
            bring_in_by=order.needed_on,
        )
        for order in found
    ]


@dataclass(frozen=True)
class FinishedLine:
    number: str
    vehicle: str  # fleet number
    jobs: tuple[str, ...]
    finished_at: str  # hour and minute by the depot's clock


def finished_lines(rows: QuerySet[WorkOrder]) -> list[FinishedLine]:
    """Lines of finished orders with the titles of their jobs; one query."""
    return [
        FinishedLine(
            order.number,
            order.vehicle.fleet_number,
            tuple(sorted(title for (title,) in order.job_list or ())),  # type: ignore[attr-defined]
            f"{order.finished_at.astimezone(ZoneInfo(order.depot.zone)):%H:%M}",
        )
        for order in rows
        if order.finished_at
    ]


def _line(order: WorkOrder, days: dict[int, date], jobs: Sequence[JobOfList]) -> OrderLine:
    today = days.get(order.depot_id)
    late = bool(today and order.planned_on and order.planned_on < today)
    return OrderLine(
        pk=order.pk,
        number=order.number,
        version=order.version,
        state=order.state,
        vehicle=order.vehicle.fleet_number,
        vehicle_id=order.vehicle_id,
        registration=order.vehicle.registration,
        depot_name=order.depot.name,
        zone=order.depot.zone,
        outside=order.where == WorkOrder.Where.OUTSIDE,
        planned_on=order.planned_on,
        late=late and order.state in (State.DRAFTED, *AT_WORK),
        assigned_to=str(order.assigned_to or ""),
        waiting_for=order.waiting_for,
        waiting_since=_local(order.waiting_since, order.depot.zone),
        jobs=tuple(title for _, title, _ in jobs),
        minutes=sum(minutes for _, _, minutes in jobs),
        do_not_use="",
        restrictions=(),
    )


def _local(at: datetime | None, zone: str) -> datetime | None:
    return None if at is None else at.astimezone(ZoneInfo(zone))


def months_back(today: date, number: int) -> date:
    """First day of the month so many months ago."""
    on = today.replace(day=1)
    for _ in range(number):
        on = (on - timedelta(days=1)).replace(day=1)
    return on
