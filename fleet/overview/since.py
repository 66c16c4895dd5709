"""What happened since an instant, as events that can be told in a sentence."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from django.db.models import CharField, DateField, DateTimeField, F, QuerySet, Value
from django.db.models.functions import Cast, Coalesce

from fleet import bulk
from fleet.due.models import CheckResult, DueMove
from fleet.due.periods import newly_overdue
from fleet.readings.models import ReadingDecision
from fleet.vehicles.models import Depot
from fleet.workorders import findings
from fleet.workorders.models import WorkOrder

MOST_OF_A_KIND = 60  # the newest are told, the rest by number only where they end


class Kind(StrEnum):
    OVERDUE = "overdue"
    MOVED = "moved"
    FINISHED = "finished"
    FAILED = "failed"
    FINDING = "finding"
    SETTLED = "settled"


@dataclass(frozen=True)
class Event:
    kind: Kind
    at: datetime  # of a day, its midnight UTC
    vehicle: str  # fleet number
    what: str
    by: str  # whose doing, or why, where that is told
    from_on: date | None  # of a due date that moved
    to_on: date | None


def events(days: Mapping[int, date], depots: Sequence[Depot], since: datetime) -> list[Event]:
    """The newest first; one query."""
    found = [
        Event(Kind(kind), bulk.moment(at) or since, vehicle, what, by, _day(first), _day(last))
        for kind, at, vehicle, what, by, first, last in bulk.stacked(_parts(days, depots, since))
    ]
    return sorted(found, key=lambda one: one.at, reverse=True)


def _parts(
    days: Mapping[int, date], depots: Sequence[Depot], since: datetime
) -> Iterator[QuerySet[Any, Mapping[str, Any]]]:
    here = {"vehicle__depot__in": depots}
    overdue = newly_overdue(days, since.date())
    yield _told(overdue, Kind.OVERDUE, "sort_on", F("service__name"))
    moves = DueMove.objects.filter(**here)
    yield _told(
        _since(moves, "noticed_at", since),
        Kind.MOVED,
        "noticed_at",
        F("service__name"),
        by=F("cause"),
        days=(F("from_on"), F("to_on")),
    )
    finished = WorkOrder.objects.filter(
        state__in=(WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF), depot__in=depots
    )
    yield _told(_since(finished, "finished_at", since), Kind.FINISHED, "finished_at", F("number"))
    failed = CheckResult.objects.filter(outcome=CheckResult.Outcome.FAIL, withdrawn_at=None, **here)
    named = F("figure__name")
    yield _told(_since(failed, "recorded_at", since), Kind.FAILED, "recorded_at", named)
    seen = findings.standing().filter(**here)
    # new to them by when it was recorded, told by when it was found
    yield _told(_since(seen, "recorded_at", since), Kind.FINDING, "performed_at", F("text"))
    settled = ReadingDecision.objects.filter(reading__vehicle__depot__in=depots)
    yield _told(
        _since(settled, "decided_at", since),
        Kind.SETTLED,
        "decided_at",
        F("action"),
        "reading__vehicle__fleet_number",
        Coalesce("person__first_name", Value("")),
    )


def _day(given: Any) -> date | None:
    at = bulk.moment(given)
    return None if at is None else at.date()


def _since(rows: QuerySet[Any], column: str, since: datetime) -> QuerySet[Any]:
    return rows.filter(**{f"{column}__gt": since})


def _told(
    rows: QuerySet[Any],
    kind: Kind,
    at: str,
    what: F,
    vehicle: str = "vehicle__fleet_number",
    by: Any = None,
    days: tuple[Any, Any] = (Value(None), Value(None)),
) -> QuerySet[Any, Mapping[str, Any]]:
    told = rows.order_by(F(at).desc(), "-pk").values(
        told_kind=Value(str(kind), CharField()),
        told_at=Cast(at, DateTimeField()),
        told_vehicle=F(vehicle),
        told_what=what,
        told_by=by if by is not None else Value("", CharField()),
        told_from=Cast(days[0], DateField()),
        told_to=Cast(days[1], DateField()),
    )
    return told[:MOST_OF_A_KIND]
