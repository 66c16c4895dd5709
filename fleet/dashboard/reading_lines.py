"""Meter readings as they are listed, with what was found odd and what a person decided."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from fleet.dashboard.words import THIN_SPACE, grouped, percent
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.readings.reasons import SENTENCES
from fleet.units import distance_mi


@dataclass(frozen=True)
class ReadingLine:
    pk: int
    vehicle: str  # fleet number
    depot_name: str
    taken_at: datetime  # local time of the depot
    time_known: bool
    given: str  # value and unit as given
    suggested: str  # in the unit as given; empty without a suggestion
    total: float | None  # [km or h]
    unit: str  # of the total: km or h
    verdict: str
    shape: str
    reason: str  # in words
    certainty: str  # probability of the reason, '97 %'
    provisional: bool
    note: str
    source: str
    decided: str  # the newest decision in words
    may_settle: bool


def reading_lines(readings: Iterable[Reading], person: Person) -> list[ReadingLine]:
    """Lines of readings fetched with ``with_lines``."""
    settles = set(depots_of(person).values_list("pk", flat=True))
    settles = settles if may(person, Right.SETTLE_READINGS) else set()
    return [_line(reading, reading.vehicle.depot_id in settles) for reading in readings]


def with_lines(readings: QuerySet[Reading]) -> QuerySet[Reading]:
    """Fetch everything that a line needs: two queries whatever the number of readings."""
    return readings.select_related("vehicle__depot", "meter").prefetch_related("decisions__person")


def _line(reading: Reading, may_settle: bool) -> ReadingLine:
    decisions = list(reading.decisions.all())
    open_to_settle = reading.verdict in {Verdict.HELD, Verdict.REJECTED}
    return ReadingLine(
        pk=reading.pk,
        vehicle=reading.vehicle.fleet_number,
        depot_name=reading.vehicle.depot.name,
        taken_at=reading.taken_at.astimezone(ZoneInfo(reading.vehicle.depot.zone)),
        time_known=reading.time_known,
        given=_amount(reading.value, reading.unit),
        suggested=_suggested(reading),
        total=reading.total,
        unit="h" if reading.unit == "h" else "km",
        verdict=reading.verdict,
        shape="waiting" if reading.verdict == Verdict.NOT_JUDGED else reading.verdict,
        reason=SENTENCES.get(reading.reason, ""),
        certainty="" if reading.probability is None else percent(reading.probability),
        provisional=reading.provisional,
        note=reading.note,
        source=reading.source,
        decided=_decided(decisions[0]) if decisions else "",
        may_settle=may_settle and open_to_settle,
    )


def _suggested(reading: Reading) -> str:
    if reading.suggestion is None:
        return ""
    in_miles = reading.unit == "mi"
    value = distance_mi(reading.suggestion) if in_miles else reading.suggestion
    return _amount(value, reading.unit)


def _amount(value: float, unit: str) -> str:
    return f"{grouped(value)}{THIN_SPACE}{unit}"


def _decided(decision: ReadingDecision) -> str:
    who = str(decision.person) if decision.person else "somebody"
    what = decision.get_action_display()
    return f"{who}, {decision.decided_at:%Y-%m-%d}: {what} ({decision.reason})"
