"""What happened since an instant, as events that can be told in a sentence."""

from collections.abc import Mapping, Sequence
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
MOST_LISTED = 2_000  # of one kind, where all are asked for; our choice

NOBODY = Value("", CharField())


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
    found_at: datetime | None  # of a finding: when it was seen, which may be long before


def events(days: Mapping[int, date], depots: Sequence[Depot], since: datetime) -> list[Event]:
    """The newest of each kind, the newest first; one query."""
    parts = [rows[:MOST_OF_A_KIND] for rows in _parts(days, depots, since).values()]
    return _read(parts, since)


def events_of(
    kind: Kind, days: Mapping[int, date], depots: Sequence[Depot], since: datetime
) -> list[Event]:
    """All of one kind, the newest first; one query."""
    return _read([_parts(days, depots, since)[kind][:MOST_LISTED]], since)


def _read(parts: Sequence[QuerySet[Any, Mapping[str, Any]]], since: datetime) -> list[Event]:
    found = [
        Event(
            *(Kind(kind), bulk.moment(at) or since, vehicle, what, by),
            *(_day(first), _day(last), bulk.moment(seen)),
        )
        for kind, at, vehicle, what, by, first, last, seen in bulk.stacked(parts)
    ]
    return sorted(found, key=lambda one: one.at, reverse=True)


def _parts(
    days: Mapping[int, date], depots: Sequence[Depot], since: datetime
) -> dict[Kind, QuerySet[Any, Mapping[str, Any]]]:
    here = {"vehicle__depot__in": depots}
    overdue = newly_overdue(days, since.date())
    moves = _since(DueMove.objects.filter(**here), "noticed_at", since)
    finished = WorkOrder.objects.filter(
        state__in=(WorkOrder.State.FINISHED, WorkOrder.State.SIGNED_OFF), depot__in=depots
    )
    finished = _since(finished, "finished_at", since)
    failed = CheckResult.objects.filter(outcome=CheckResult.Outcome.FAIL, withdrawn_at=None, **here)
    failed = _since(failed, "recorded_at", since)
    # told on the day it was entered, for then it was new to whoever looks
    seen = _since(findings.standing().filter(**here), "recorded_at", since)
    settled = ReadingDecision.objects.filter(reading__vehicle__depot__in=depots)
    settled = _since(settled, "decided_at", since)
    moved_by = (F("from_on"), F("to_on"))
    van, who = "reading__vehicle__fleet_number", Coalesce("person__first_name", NOBODY)
    parts = (
        _told(overdue, Kind.OVERDUE, "sort_on", F("service__name")),
        _told(moves, Kind.MOVED, "noticed_at", F("service__name"), by=F("cause"), days=moved_by),
        _told(finished, Kind.FINISHED, "finished_at", F("number")),
        _told(failed, Kind.FAILED, "recorded_at", F("figure__name")),
        _told(seen, Kind.FINDING, "recorded_at", F("text"), found=F("performed_at")),
        _told(settled, Kind.SETTLED, "decided_at", F("action"), van, who),
    )
    return dict(zip(Kind, parts, strict=True))


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
    found: Any = Value(None),  # noqa: B008 - never changed
) -> QuerySet[Any, Mapping[str, Any]]:
    return rows.order_by(F(at).desc(), "-pk").values(
        told_kind=Value(str(kind), CharField()),
        told_at=Cast(at, DateTimeField()),
        told_vehicle=F(vehicle),
        told_what=what,
        told_by=by if by is not None else Value("", CharField()),
        told_from=Cast(days[0], DateField()),
        told_to=Cast(days[1], DateField()),
        told_found=Cast(found, DateTimeField()),
    )
