"""What waits for a person, by consequence: how many, since when."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from django.db.models import (
    Aggregate,
    CharField,
    Count,
    DateTimeField,
    Exists,
    F,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Value,
)
from django.db.models.expressions import RawSQL
from django.db.models.functions import Cast

from fleet import bulk
from fleet.consumables.listing import to_order_by
from fleet.due import defer
from fleet.due.models import Deferral, DueDate
from fleet.due.periods import unknown
from fleet.people.models import Person
from fleet.readings.listing import held
from fleet.usage.models import UsageState
from fleet.vehicles.models import Depot, Meter, Vehicle
from fleet.visits.listing import visits_in_force
from fleet.workorders import escalate, failed, findings, listing
from fleet.workorders.models import Job

UNREAD_D = 30  # a meter nobody has read for so long; our choice
READ_D = 7  # a reading no older is fresh; our choice
ENDING_D = 7  # how far ahead the end of a deferral is told; our choice
ENDED_D = 30  # and how long after it; our choice
VEHICLES, FRESH = "vehicles", "fresh"  # that are counted, and wait for nobody


class Kind(StrEnum):
    """What can wait for somebody, the gravest first."""

    DO_NOT_USE = "do not use"
    BEFORE_USE = "before use"
    FAILED = "failed"
    SOON = "soon"
    DECIDE = "decide"
    SHORT = "short"
    HELD = "held"
    NO_DAY = "no day"
    UNFIT = "does not fit"
    DEFERRAL = "deferral"
    UNREAD = "unread"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Need:
    kind: Kind
    count: int
    oldest_at: datetime | None  # a day as its midnight, UTC
    depot: str = ""  # its slug, where each depot is answered on a page of its own


@dataclass(frozen=True)
class Read:
    """How old the newest readings of odometers are, of vehicles in use."""

    vehicles: int
    fresh: int  # read within READ_D days
    unread: int  # not for UNREAD_D days


def needs(
    depots: Sequence[Depot], person: Person, now: datetime, today: date
) -> tuple[list[Need], Read]:
    """What waits at some depots, the gravest first, and how old readings are; one query."""
    counts: dict[tuple[str, str], int] = defaultdict(int)  # by kind and depot, or all depots
    oldest: dict[tuple[str, str], datetime] = {}
    parts = (*_waiting(depots, person, today), *_read(depots, now))
    for kind, depot, count, first in bulk.stacked(parts):
        counts[kind, depot] += count
        at = bulk.moment(first)
        if at is not None:
            oldest[kind, depot] = min(at, oldest.get((kind, depot), at))
    slugs = ("", *(depot.slug for depot in depots))
    found = [
        Need(kind, count, oldest.get((kind, slug)), slug)
        for kind in Kind
        for slug in slugs
        if (count := counts[kind, slug])
    ]
    return found, Read(counts[VEHICLES, ""], counts[FRESH, ""], counts[Kind.UNREAD, ""])


def _waiting(
    depots: Sequence[Depot], person: Person, today: date
) -> Iterator[QuerySet[Any, Mapping[str, Any]]]:
    here = {"vehicle__depot__in": depots}
    marks = findings.marks_in_force().filter(**here)
    yield _counted(marks, Kind.DO_NOT_USE, "set_at", Count("vehicle", distinct=True))
    grave = findings.before_use().filter(**here)
    yield _counted(grave, Kind.BEFORE_USE, "performed_at")
    yield _counted(failed.unanswered(depots), Kind.FAILED, "measured_at")
    soon = findings.to_follow_up_soon().filter(**here)
    yield _counted(soon, Kind.SOON, "performed_at")
    yield _counted(escalate.open_questions(depots), Kind.DECIDE, "since_on")
    yield _counted(listing.returned_jobs(depots), Kind.DECIDE, "ended_at")
    yield _counted(defer.waiting_for(person, depots), Kind.DECIDE, "created_at")
    yield _counted(listing.orders_with_late_records(depots, person), Kind.DECIDE, "late_since")
    late = to_order_by([depot.slug for depot in depots], today)
    yield _counted(late, Kind.SHORT, "order_by_on")
    yield _counted(held(depots), Kind.HELD, "received_at")
    yield _counted(listing.released_without_day(depots), Kind.NO_DAY, "released_at")
    unfit = visits_in_force(depots).exclude(unfit="").filter(on__gte=today)
    yield _counted(unfit, Kind.UNFIT, "on", depot=F("plan__depot__slug"))
    yield _counted(ending(depots, today), Kind.DEFERRAL, "until_on")
    yield _counted(unknown(depots), Kind.UNKNOWN, "p50")  # no day: nobody knows since when


def _counted(
    rows: QuerySet[Any],
    kind: str,
    since: str,
    how_many: Aggregate | None = None,
    depot: F | None = None,
) -> QuerySet[Any, Mapping[str, Any]]:
    """One row, or with a column of ``depot`` one for each: the kind, the depot or '', how many,
    and the first of a column."""
    named = rows.order_by().values(
        told_kind=Value(str(kind), CharField()), told_depot=depot or Value("", CharField())
    )
    first = Cast(Min(since), DateTimeField())
    found: QuerySet[Any, Mapping[str, Any]] = named.annotate(
        told_count=how_many or Count("pk"), told_first=first
    )
    return found


def ending(depots: Sequence[Depot], today: date) -> QuerySet[Deferral]:
    """Deferrals that end soon, or ended not long ago, of services not done since, that nobody has
    deferred anew or put on an order."""
    same = {"vehicle": OuterRef("vehicle"), "service": OuterRef("service")}
    anew = defer.deferrals(withdrawn=False).filter(**same, created_at__gt=OuterRef("created_at"))
    ordered = Job.objects.filter(**same, state=Job.State.OPEN)
    still = DueDate.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), sort_on__lte=OuterRef("until_on")
    )
    soon = Q(until_on__range=(today - timedelta(ENDED_D), today + timedelta(ENDING_D)))
    rows = defer.deferrals(withdrawn=False).filter(
        soon, Exists(still), ~Exists(anew), ~Exists(ordered), vehicle__depot__in=depots
    )
    return rows.select_related("vehicle__depot", "service", "person").order_by("until_on", "pk")


def _read(depots: Sequence[Depot], now: datetime) -> Iterator[QuerySet[Any, Mapping[str, Any]]]:
    """How old the newest readings of odometers are, of vehicles in use."""
    rows = _odometers(depots)
    yield _counted(rows, VEHICLES, "at")
    yield _counted(rows.filter(last_at_d__gte=_day_number(now) - READ_D), FRESH, "at")
    yield _counted(unread(depots, now), Kind.UNREAD, "at")


def unread(depots: Sequence[Depot], now: datetime) -> QuerySet[Any]:
    """Odometers of vehicles in use that nobody has read for long, with ``at``, the instant of the
    last reading; the longest unread first."""
    rows = _odometers(depots).filter(last_at_d__lt=_day_number(now) - UNREAD_D)
    return rows.select_related("vehicle__depot", "meter").order_by("last_at_d", "pk")


def _odometers(depots: Sequence[Depot]) -> QuerySet[Any]:
    rows = UsageState.objects.filter(
        meter__kind=Meter.Kind.KM,
        vehicle__depot__in=depots,
        vehicle__status__in=(Vehicle.Status.IN_USE, Vehicle.Status.HIRED_IN),
    )
    at = RawSQL(bulk.as_instant("usage_usagestate.last_at_d"), [], DateTimeField())  # noqa: S611
    return rows.annotate(at=at)


def _day_number(now: datetime) -> float:
    return now.timestamp() / 86_400
