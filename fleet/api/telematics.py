"""Meter values as vehicles and machines send them: bytes and records, decoded here."""

from collections.abc import Iterator
from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Instant, Strict, Text, body
from fleet.api.many_readings import (
    ROWS_MAX,
    BulkAnswer,
    Draft,
    Outcome,
    Row,
    RowFault,
    Vehicles,
    add,
    draft,
    known,
    unreadable,
)
from fleet.api.resource import Resource
from fleet.people.roles import Right
from fleet.readings.frames import (
    FrameError,
    FrameReading,
    from_iso15143,
    from_j1939,
    from_obd2,
    payload,
)
from fleet.readings.models import Source

PROTOCOLS = ("j1939", "obd2", "iso15143")


class FrameGiven(Strict):
    vehicle = Text(max_length=40, help_text="Fleet number, in any case, or an old one")
    protocol = serializers.ChoiceField(choices=PROTOCOLS)
    spn = serializers.IntegerField(required=False, help_text="j1939: 245, 917 or 247")
    bytes = Text(max_length=60, required=False, help_text="j1939, obd2: hexadecimal")
    record = serializers.DictField(required=False, help_text="iso15143: one record, as sent")
    taken_at = Instant(required=False, help_text="Required unless the record says when")


@extend_schema_field(FrameGiven(many=True))
class FrameList(serializers.ListField):
    child = serializers.DictField()


class FramesGiven(Strict):
    frames = FrameList(min_length=1, max_length=ROWS_MAX // 2, help_text="1 to 5,000")


class Telematics(Resource):
    scope = "readings"
    rights = {"POST": Right.ADD_READINGS}
    repeatable = ("POST",)

    @extend_schema(operation_id="readings_telematics", request=FramesGiven, responses=BulkAnswer)
    def post(self, request: Request) -> Response:
        """Decodes meter values as vehicles send them (J1939, OBD-II, ISO 15143), stores them and
        judges them like any reading. A frame that cannot be read stops no other.
        """
        frames = body(request, FramesGiven)["frames"]
        values = [(index, value) for index, frame in enumerate(frames) for value in _values(frame)]
        return add(request, values, _read, Source.TELEMATICS)


def _values(frame: Row) -> Iterator[Row]:
    """A row for each meter value of a frame: a machine's record can carry two."""
    serializer = FrameGiven(data=frame)
    if not serializer.is_valid():
        yield {"vehicle": frame.get("vehicle"), "fault": unreadable(serializer.errors)}
        return
    given = serializer.validated_data
    try:
        decoded = _decoded(given)
    except (FrameError, RowFault) as error:
        yield {**given, "fault": RowFault(Outcome.UNREADABLE, str(error)[:300])}
        return
    for reading in decoded:
        yield {**given, "reading": reading}


def _decoded(given: dict[str, Any]) -> list[FrameReading]:
    found = _record(given) if given["protocol"] == "iso15143" else [_frame(given)]
    readings = [reading for reading in found if reading is not None]
    if not readings:
        raise FrameError("The sender has no value at present: nothing to store.")
    return readings


def _record(given: dict[str, Any]) -> list[FrameReading | None]:
    machine = from_iso15143(_needed(given, "record"))
    return [machine.distance, machine.operating]


def _frame(given: dict[str, Any]) -> FrameReading | None:
    data = payload(_needed(given, "bytes"))
    return (
        from_obd2(data) if given["protocol"] == "obd2" else from_j1939(_needed(given, "spn"), data)
    )


def _needed(given: dict[str, Any], name: str) -> Any:
    if name not in given:
        raise FrameError(f"A frame of {given['protocol']} needs {name}.")
    return given[name]


def _read(row: Row, vehicles: Vehicles) -> Draft:
    if "fault" in row:
        raise row["fault"]
    reading: FrameReading = row["reading"]
    at = row.get("taken_at") or reading.taken_at
    if at is None:
        raise RowFault(Outcome.UNREADABLE, "taken_at: the frame carries no time, so send one.")
    unit = "h" if reading.kind == "hours" else "km"
    return draft(known(vehicles, row["vehicle"]), at, True, reading.value, unit)
