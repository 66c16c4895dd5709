"""The small look-ups about the orders of some depots, all by one query."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db.models import (
    BigIntegerField,
    CharField,
    Count,
    DateField,
    F,
    QuerySet,
    Value,
)
from django.db.models.functions import Cast, Concat

from fleet import bulk
from fleet.due import defer
from fleet.due.periods import overdue
from fleet.people.models import Person
from fleet.people.roles import mechanics_of
from fleet.vehicles.models import Depot
from fleet.workorders import escalate, evidence, listing
from fleet.workorders.evidence import OnTime
from fleet.workorders.models import WorkOrder

NAMED = 5  # overdue services that are named
QUESTIONS, RETURNED, LATE_RECORDS, TO_AGREE = "questions", "returned", "late records", "to agree"
Parts = Iterator[QuerySet[Any, Mapping[str, Any]]]


@dataclass(frozen=True)
class Overdue:
    vehicle: str  # fleet number
    service: str  # name
    since_on: date


@dataclass(frozen=True)
class Draft:
    """An order that may be released with those of the week."""

    number: str
    vehicle: str  # fleet number
    version: int
    planned_on: date | None


@dataclass
class Glance:
    states: dict[str, int]  # open orders by state
    today: date
    drafts: list[Draft] = field(default_factory=list)  # that may be released together
    mechanics: list[tuple[int, str]] = field(default_factory=list)
    months: list[OnTime] = field(default_factory=list)
    overdue: list[Overdue] = field(default_factory=list)  # the first few
    overdue_count: int = 0
    waiting: dict[str, int] = field(default_factory=dict)  # what is to be decided, by kind

    @property
    def week(self) -> list[Draft]:
        """Drafts of the next seven days: planned for one of them, or needed by then."""
        last = listing.week_ends(self.today)
        return [one for one in self.drafts if self.today <= (one.planned_on or last) <= last]

    @property
    def past(self) -> list[Draft]:
        """Drafts whose day has passed: they want another one."""
        return [one for one in self.drafts if one.planned_on and one.planned_on < self.today]

    @property
    def later(self) -> list[Draft]:
        """Drafts that are planned for a day after those seven."""
        last = listing.week_ends(self.today)
        return [one for one in self.drafts if one.planned_on and one.planned_on > last]

    @property
    def overdue_more(self) -> int:
        """How many are overdue besides the first few."""
        return self.overdue_count - len(self.overdue)


def glance(
    days: Mapping[int, date],
    depots: list[Depot],
    person: Person,
    today: date,
    months_from: date,
    *,
    listed: QuerySet[WorkOrder] | None,
) -> Glance:
    """What stands about the list of orders; one query.

    Parameters
    ----------
    days
        What day it is at each depot, by its id.
    months_from
        First day of the months in which what was done is counted.
    listed
        The orders on the list, of whose drafts somebody is told who releases orders, and of
        mechanics; None: the person releases none.
    """
    found = Glance({str(state): 0 for state in WorkOrder.OPEN}, today)
    parts = [*_about_orders(days, depots, today, months_from), *_to_decide(depots, person)]
    if listed is not None:
        parts += _to_release(days, listed, today)
    for kind, text, more, on, *numbers in bulk.stacked(parts):
        _take(found, kind, (text, more), bulk.moment(on), numbers)
    return found


def _about_orders(
    days: Mapping[int, date], depots: list[Depot], today: date, months_from: date
) -> Parts:
    states = listing.orders_at(depots, WorkOrder.OPEN).order_by()
    yield _told(states, "state", "state", numbers=[Count("pk")])
    done = evidence.judged(list(days), months_from, today).order_by("month_on")
    counts = [Count("pk"), *(Count("pk", filter=which) for which in evidence.IN_TIME)]
    yield _told(done, "month", Value(""), on=F("month_on"), numbers=counts)
    late = overdue(days)
    yield _told(late.order_by(), "late in all", Value(""), numbers=[Count("*")])
    first = late.order_by("sort_on", "vehicle_id", "service_id")
    named = F("vehicle__fleet_number")
    yield _told(first, "late", named, "service__name", on=F("sort_on"))[:NAMED]


def _to_release(days: Mapping[int, date], listed: QuerySet[WorkOrder], today: date) -> Parts:
    drafts = listing.drafts_to_release(listed, today)
    number, on = "vehicle__fleet_number", F("planned_on")
    yield _told(drafts, "draft", "number", number, on=on, numbers=[F("version")])
    full = Concat("first_name", Value(" "), "last_name")
    who = Person.objects.filter(pk__in=mechanics_of(days).order_by().values("pk"))
    yield _told(who.order_by("role", "username"), "mechanic", "username", full, numbers=[F("pk")])


def _to_decide(depots: list[Depot], person: Person) -> Parts:
    waiting = {
        QUESTIONS: escalate.open_questions(depots),
        RETURNED: listing.returned_jobs(depots),
        LATE_RECORDS: listing.orders_with_late_records(depots, person),
        TO_AGREE: defer.waiting_for(person, depots),
    }
    for kind, rows in waiting.items():
        yield _told(rows.order_by(), "waiting", Value(kind), numbers=[Count("pk")])


def _told(
    rows: QuerySet[Any],
    kind: str,
    text: Any,
    more: Any = None,
    *,
    on: Any = None,
    numbers: Sequence[Any] = (),
) -> QuerySet[Any, Mapping[str, Any]]:
    """Rows as kind, two texts, a day and three numbers."""
    empty = Value("", CharField())
    given = [Cast(one, BigIntegerField()) for one in (*numbers, Value(0), Value(0), Value(0))][:3]
    first = {"told_kind": Value(kind, CharField()), "told_text": Cast(text, CharField())}
    told: QuerySet[Any, Mapping[str, Any]] = rows.values(
        **first,
        told_more=empty if more is None else Cast(more, CharField()),
        told_on=Cast(Value(None) if on is None else on, DateField()),
    ).annotate(told_one=given[0], told_two=given[1], told_three=given[2])
    return told


def _take(found: Glance, kind: str, texts: tuple[str, str], at: Any, numbers: list[int]) -> None:
    text, more = texts
    match kind:
        case "state":
            found.states[text] = numbers[0]
        case "draft":
            found.drafts.append(Draft(text, more, numbers[0], at.date() if at else None))
        case "mechanic":
            found.mechanics.append((numbers[0], more.strip() or text))
        case "month":
            found.months.append(OnTime(at.date(), *numbers))
        case "late":
            found.overdue.append(Overdue(text, more, at.date()))
        case "late in all":
            found.overdue_count = numbers[0]
        case "waiting":
            found.waiting[text] = numbers[0]
