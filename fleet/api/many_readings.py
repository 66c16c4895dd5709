"""Many readings in one request, each with an outcome of its own: a bad row stops no good one."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.fields import Day, Instant, Number, Strict, Text, body
from fleet.api.repeats import Answer, once
from fleet.api.signin import depots_for
from fleet.readings.enter import (
    KINDS,
    Entered,
    Entry,
    EntryFault,
    enter,
    in_meter_unit,
    meters_of,
    noon_at,
)
from fleet.readings.models import Reading, Source, UploadRow, Verdict
from fleet.readings.reasons import sentence
from fleet.vehicles.find import numbered

ROWS_MAX = 10_000  # our choice
Outcome = UploadRow.Outcome
Row = dict[str, Any]


class RowGiven(Strict):
    vehicle = Text(max_length=40, help_text="Fleet number, in any case, or an old one")
    value = Number()
    unit = serializers.ChoiceField(choices=sorted(KINDS), default="km")
    taken_at = Instant(required=False)
    taken_on = Day(required=False, help_text="Instead of taken_at, when the time is not known")
    note = Text(max_length=300, allow_blank=True, default="")

    def validate(self, attrs: Row) -> Row:
        if ("taken_at" in attrs) == ("taken_on" in attrs):
            raise serializers.ValidationError("Give either taken_at or taken_on.", code="when")
        return attrs


@extend_schema_field(RowGiven(many=True))
class RowList(serializers.ListField):
    """Rows taken one by one: a fault in one is its outcome and not the end of the others."""

    child = serializers.DictField()


class BulkGiven(Strict):
    rows = RowList(min_length=1, max_length=ROWS_MAX, help_text="1 to 10,000")


class RowAnswer(serializers.Serializer[Any]):
    index = serializers.IntegerField(help_text="Which of the rows sent, from 0")
    outcome = serializers.ChoiceField(choices=Outcome.choices)
    message = serializers.CharField(help_text="Why, and what to do; empty when accepted")
    reading = serializers.IntegerField(allow_null=True, help_text="Id of the stored reading")


class BulkAnswer(serializers.Serializer[Any]):
    counts = serializers.DictField(child=serializers.IntegerField())
    rows = RowAnswer(many=True, help_text="In the order sent")


@dataclass(frozen=True, slots=True)
class Found:
    """A vehicle as far as a reading needs it."""

    vehicle_id: int
    zone: str


class RowFault(Exception):
    """A row that cannot be stored, with its outcome and a sentence."""

    def __init__(self, outcome: str, message: str) -> None:
        super().__init__(message)
        self.outcome = outcome


@dataclass(frozen=True, slots=True)
class Draft:
    """A row that can be stored, once its meter is known."""

    vehicle_id: int
    taken_at: datetime
    time_known: bool
    value: float
    unit: str
    note: str

    @property
    def meter(self) -> tuple[int, str]:
        return self.vehicle_id, KINDS[self.unit]


Vehicles = Mapping[str, Found]
Read = Callable[[Row, Vehicles], Draft]  # raises RowFault


def add_bulk(request: Request) -> Response:
    given = body(request, BulkGiven)["rows"]
    return add(request, list(enumerate(given)), _read_row, Source.API)


def add(request: Request, given: Sequence[tuple[int, Row]], read: Read, source: Source) -> Response:
    """Store what can be read, judge it, and say of each row what became of it."""
    vehicles = _vehicles(request, [row for _, row in given])
    drafts = [(index, _try(read, row, vehicles)) for index, row in given]

    def effect() -> Answer:
        return Answer(_store(drafts, source))

    def afterwards(answer: Answer) -> Answer:
        touched = {draft.vehicle_id for _, draft in drafts if isinstance(draft, Draft)}
        if touched:
            chain.refresh(sorted(touched), timezone.now())
        return Answer(_with_verdicts(answer.body))

    return once(request, effect, afterwards)


def known(vehicles: Vehicles, fleet_number: str) -> Found:
    found = vehicles.get(fleet_number.strip().upper())
    if found is None:
        raise RowFault(
            Outcome.UNKNOWN_VEHICLE,
            f"There is no vehicle {fleet_number} within your depots: check the fleet number.",
        )
    return found


def unreadable(errors: Any) -> RowFault:
    """The first fault of a row, with the name of the value."""
    name, details = next(iter(errors.items()))
    detail = details[0] if isinstance(details, list) else details
    named = "" if name == "non_field_errors" else f"{name}: "
    return RowFault(Outcome.UNREADABLE, f"{named}{detail}"[:300])


def _read_row(row: Row, vehicles: Vehicles) -> Draft:
    serializer = RowGiven(data=row)
    if not serializer.is_valid():
        raise unreadable(serializer.errors)
    given = serializer.validated_data
    found = known(vehicles, given["vehicle"])
    at = given.get("taken_at") or noon_at(given["taken_on"], found.zone)
    return draft(found, at, "taken_at" in given, given["value"], given["unit"], given["note"])


def draft(
    found: Found, at: datetime, time_known: bool, value: float, unit: str, note: str = ""
) -> Draft:
    try:
        in_meter_unit(value, unit)
        at = at.astimezone(UTC).replace(microsecond=0)
    except (EntryFault, OverflowError) as fault:
        raise RowFault(Outcome.UNREADABLE, str(fault)) from fault
    return Draft(found.vehicle_id, at, time_known, value, unit, note)


def _try(read: Read, row: Row, vehicles: Vehicles) -> Draft | RowFault:
    try:
        return read(row, vehicles)
    except RowFault as fault:
        return fault


def _vehicles(request: Request, given: Sequence[Row]) -> Vehicles:
    """Vehicles by their numbers in capitals: old numbers first, so that one in use wins."""
    wanted = {str(row.get("vehicle")).strip().upper().replace("\0", "") for row in given}
    found = numbered(wanted, depots_for(request))
    return {number: Found(pk, zone) for number, (pk, zone) in found.items()}


def _store(drafts: Sequence[tuple[int, Draft | RowFault]], source: Source) -> Row:
    usable = [draft for _, draft in drafts if isinstance(draft, Draft)]
    meters = meters_of({draft.meter: draft.unit for draft in usable})
    entered = iter(enter([_entry(draft, meters) for draft in usable], source))
    return _counted(
        [
            _refused(index, draft) if isinstance(draft, RowFault) else _stored(index, next(entered))
            for index, draft in drafts
        ]
    )


def _refused(index: int, fault: RowFault) -> Row:
    return {"index": index, "outcome": fault.outcome, "message": str(fault), "reading": None}


def _stored(index: int, entered: Entered) -> Row:
    outcome = Outcome.REPEATED if entered.repeated else Outcome.WAITING
    message = "This reading was stored before." if entered.repeated else ""
    return {
        "index": index,
        "outcome": outcome.value,
        "message": message,
        "reading": entered.reading_id,
    }


def _entry(draft: Draft, meters: dict[tuple[int, str], int]) -> Entry:
    return Entry(
        vehicle_id=draft.vehicle_id,
        meter_id=meters[draft.meter],
        taken_at=draft.taken_at,
        time_known=draft.time_known,
        value=draft.value,
        unit=draft.unit,
        note=draft.note,
    )


def _with_verdicts(answer: Row) -> Row:
    waiting = [row["reading"] for row in answer["rows"] if row["outcome"] == Outcome.WAITING]
    found = Reading.objects.filter(pk__in=waiting).values_list(
        "pk", "verdict", "reason", "suggestion", "unit"
    )
    verdicts = {pk: told for pk, *told in found}
    return _counted([_judged(row, verdicts) for row in answer["rows"]])


def _judged(row: Row, verdicts: Mapping[int, Sequence[Any]]) -> Row:
    if row["outcome"] != Outcome.WAITING:
        return row
    verdict, reason, suggestion, unit = verdicts[row["reading"]]
    if verdict == Verdict.NOT_JUDGED:
        return row
    return {**row, "outcome": verdict, "message": sentence(reason, suggestion, unit)}


def _counted(rows: list[Row]) -> Row:
    return {"counts": dict(Counter(row["outcome"] for row in rows)), "rows": rows}
