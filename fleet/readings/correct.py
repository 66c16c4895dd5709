"""The right day or value of one row of an upload, as a person gives it. The sheet, the reading as
it came and what became of it stay in the record; what is given is judged like any reading."""

import json
import re
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction

from fleet.calc.letters import mistyped
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.readings.enter import KINDS, in_meter_unit, meters_of, noon_at
from fleet.readings.intake import REPEATED
from fleet.readings.models import (
    Reading,
    ReadingDecision,
    RowCorrection,
    Source,
    Upload,
    UploadRow,
    UploadWithdrawal,
    Verdict,
)
from fleet.readings.record import judge_anew, record
from fleet.readings.settle import LONGEST_REASON, MOST_VALUE, settle
from fleet.today import today_at
from fleet.vehicles.models import Meter, Vehicle
from fleet.vehicles.own_unit import odometer_unit

Outcome = UploadRow.Outcome
FIELD = {Meter.Kind.KM: "reading", Meter.Kind.HOURS: "hours_reading"}
# a day as sheets keep it, perhaps with a time; a time alone. Midnight stands for no time
DATED = re.compile(r"(?P<on>\d{4}-\d\d-\d\d)(?:[ T](?P<at>\d\d:\d\d(?::\d\d)?)(?:\.0+)?|.*)?")
CLOCK = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?")
CORRECTABLE = (Outcome.ACCEPTED, Outcome.HELD, Outcome.REJECTED, Outcome.UNREADABLE)


@dataclass(frozen=True, kw_only=True)
class Given:
    """What is right of a row; what is left out stays as the row has it."""

    on: date | None = None  # at the depot of the vehicle
    at: time | None = None
    without_time: bool = False  # nobody knows the time of day, whatever the row says
    value: float | None = None
    unit: str | None = None  # km, mi or h; None: as the row has it, else the vehicle's own
    vehicle: Vehicle | None = None  # of a row that names none that is known
    reason: str = ""


@dataclass(frozen=True)
class _Right:
    """One reading as it should have been."""

    kind: str
    taken_at: datetime
    time_known: bool
    value: float
    unit: str
    note: str
    was: Reading | None

    @property
    def is_as_it_was(self) -> bool:
        was, now = self.was, (self.taken_at, self.value, self.unit)
        return was is not None and now == (was.taken_at, was.value, was.unit)


def correct(
    row_id: int, given: Given, *, person: Person, channel: str, now: datetime
) -> RowCorrection:
    """Put what a person says is right in the place of a row's readings, which are rejected.

    The caller brings the upload to its end as after mending.

    Raises
    ------
    Forbidden
        The person may not add readings at the depot, or not settle the one that the row brought.
    Refused
        The upload was withdrawn or is being worked on; the row came with another sheet, or its
        vehicle is not known.
    Fault
        Day or value is missing, cannot be or changes nothing; no reason why a reading was wrong.
    """
    with transaction.atomic():
        row = _locked(row_id)
        _claim(row)
        vehicle = _vehicle(row, given)
        rights = _rights(row, vehicle, given, now)
        _must(person, vehicle, given, rights)
        kept = RowCorrection.objects.create(
            row=row,
            vehicle=vehicle,
            outcome=row.outcome,
            message=row.message,
            reading=row.reading,
            hours_reading=row.hours_reading,
            reason=given.reason.strip()[:LONGEST_REASON],
            person=person,
            channel=channel,
            corrected_at=now,
        )
        for one in rights:
            _reject(one.was, kept)
        _put(row, vehicle, rights, now)
    return kept


def _locked(row_id: int) -> UploadRow:
    rows = UploadRow.objects.select_for_update(of=("self",))
    return rows.select_related("upload", "vehicle__depot", "reading", "hours_reading").get(
        pk=row_id
    )


def _claim(row: UploadRow) -> None:
    if UploadWithdrawal.objects.filter(upload=row.upload_id).exists():
        raise Refused("This upload was withdrawn: enter the reading at its vehicle.")
    if row.outcome == Outcome.REPEATED:
        raise Refused("This reading came with another sheet, too: correct it in that one.")
    if row.outcome == Outcome.UNKNOWN_VEHICLE:
        raise Refused("Say first which vehicle this name is: that takes up all of its rows.")
    done = Upload.objects.filter(pk=row.upload_id, state=Upload.State.DONE)
    if not done.update(state=Upload.State.READ):
        raise Refused("This upload has not come to its end yet: wait for it.")


def _vehicle(row: UploadRow, given: Given) -> Vehicle:
    if row.vehicle is None and given.vehicle is None:
        raise Fault("The row names no vehicle: say which one it is.", about="vehicle")
    if row.vehicle and given.vehicle and row.vehicle != given.vehicle:
        raise Fault(f"The row is of {row.vehicle}: leave the vehicle out.", about="vehicle")
    return row.vehicle or given.vehicle  # type: ignore[return-value]  # one of them is there


def _must(person: Person, vehicle: Vehicle, given: Given, rights: list[_Right]) -> None:
    wrong = [one for one in rights if one.was]
    for right in [Right.ADD_READINGS, *([Right.SETTLE_READINGS] if wrong else [])]:
        if not may(person, right, vehicle.depot_id):
            raise Forbidden(f"{person} may not {right.value} at {vehicle.depot}.")
    if wrong and not given.reason.strip():
        raise Fault("Say why the reading was wrong: it is rejected with that.", about="reason")


# --- what is right -------------------------------------------------------------------------
def _rights(row: UploadRow, vehicle: Vehicle, given: Given, now: datetime) -> list[_Right]:
    """The readings of a row as they should have been, without those that stay as they are."""
    was = {kind: getattr(row, name) for kind, name in FIELD.items()}
    figures = {kind: (one.value, one.unit) for kind, one in was.items() if one}
    if given.value is not None or given.unit is not None:
        kind, *figure = _figure(was, given, vehicle)
        figures[kind] = figure[0], figure[1]
    if not figures:
        raise Fault("The row has no reading: give the value.", about="value")
    instant = _instant(row, given, vehicle.depot.zone)
    if today_at(vehicle.depot.zone, instant[0]) > today_at(vehicle.depot.zone, now):
        raise Fault("That day is still to come: give the day it was read on.", about="on")
    found = [
        _Right(kind, *instant, *figure, was[kind].note if was[kind] else "", was[kind])
        for kind, figure in figures.items()
    ]
    changed = [one for one in found if not one.is_as_it_was]
    if not changed:
        raise Fault("That is what the row says already: give the right day or value.", about="on")
    return changed


def _figure(
    was: dict[Meter.Kind, Reading | None], given: Given, vehicle: Vehicle
) -> tuple[Meter.Kind, float, str]:
    """Which meter a value is of, the value, and its unit: as given, else as the row has them."""
    only_hours = was[Meter.Kind.HOURS] and not was[Meter.Kind.KM]
    kind = Meter.Kind.HOURS if only_hours else Meter.Kind.KM
    if given.unit is not None:
        if given.unit not in KINDS:
            raise Fault(f"“{given.unit}” is no unit of a meter: give km, mi or h.", about="unit")
        kind = KINDS[given.unit]
    before = was[kind]
    value = before.value if given.value is None and before else given.value
    if value is None:
        raise Fault("The row has no such reading: give the value.", about="value")
    if not 0 <= value < MOST_VALUE:
        raise Fault(f"{value:g} is no meter value: give a number from 0 up.", about="value")
    return kind, value, given.unit or (before.unit if before else odometer_unit(vehicle.pk))


def _instant(row: UploadRow, given: Given, zone: str) -> tuple[datetime, bool]:
    """When it was read: a clock time that is known stays when only the day is given."""
    was = row.reading or row.hours_reading
    known = moment_of(row, was, zone)
    on = given.on or (known.on if was else None)
    if on is None:
        raise Fault("The row has no day: give the day it was read on.", about="on")
    at = None if given.without_time else given.at or known.at
    if was and (on, at) == known:
        return was.taken_at, was.time_known
    if at is None:
        return noon_at(on, zone), False
    return datetime.combine(on, at, ZoneInfo(zone)), True


class OfRow(NamedTuple):
    """When a row says that it was read, by the clock of its depot."""

    on: date | None
    at: time | None  # None: it does not say


def moment_of(row: UploadRow, was: Reading | None, zone: str) -> OfRow:
    """The moment of the reading that a row brought; where it brought none, the one in its cells, if
    they hold one alone and no doubt about it."""
    if was is not None:
        local = was.taken_at.astimezone(ZoneInfo(zone))
        return OfRow(local.date(), local.time() if was.time_known else None)
    cells = [str(one).strip() for one in _cells(row)]
    dated = {moment for cell in cells if (moment := _dated(cell))}
    days, clocks = {one.on for one in dated}, {one.at for one in dated} - {None}
    if len(days) != 1 or len(clocks) > 1:
        return OfRow(days.pop() if len(days) == 1 else None, None)
    clocks = clocks or {time.fromisoformat(cell) for cell in cells if CLOCK.fullmatch(cell)}
    return OfRow(days.pop(), clocks.pop() if len(clocks) == 1 else None)


def mistyped_of(row: UploadRow) -> str:
    """The figure that a row was asked about for its letters, as typed; empty: there is none."""
    asked = [str(one) for one in _cells(row) if _is_asked(str(one).strip(), row.message)]
    return asked[0] if len(asked) == 1 else ""


def _is_asked(cell: str, message: str) -> bool:
    question = mistyped(cell, of_meter=True)
    return question != "" and question in message


def _cells(row: UploadRow) -> list[object]:
    kept = json.loads(row.raw)
    return kept if isinstance(kept, list) else [kept]


def _dated(cell: str) -> OfRow | None:
    """The moment in a cell that begins as 2026-03-04; None: it does not."""
    found = DATED.fullmatch(cell)
    try:
        on = date.fromisoformat(found["on"]) if found else None
    except ValueError:
        return None
    clock = found["at"] if found and found["at"] and CLOCK.fullmatch(found["at"]) else ""
    at = time.fromisoformat(clock) if clock else time()
    return OfRow(on, None if at == time() else at) if on else None


# --- put in its place ----------------------------------------------------------------------
def _reject(was: Reading | None, kept: RowCorrection) -> None:
    if was is None or was.verdict == was.fixed == Verdict.REJECTED:
        return
    settle(
        reading_id=was.pk,
        action=ReadingDecision.Action.REJECT,
        person=kept.person,
        reason=f"Corrected at its row: {kept.reason}"[:LONGEST_REASON],
        channel=kept.channel,
    )


def _put(row: UploadRow, vehicle: Vehicle, rights: list[_Right], now: datetime) -> None:
    """Let the row bring what is right; it waits for the verdict on that."""
    meters = meters_of({(vehicle.pk, one.kind): one.unit for one in rights})
    columns = {
        "vehicle_id": np.full(len(rights), vehicle.pk),
        "meter_id": np.array([meters[vehicle.pk, one.kind] for one in rights]),
        "taken_at": np.array([_utc(one.taken_at) for one in rights], "M8[s]"),
        "time_known": np.array([one.time_known for one in rights]),
        "value": np.array([one.value for one in rights], float),
        "unit": np.array([one.unit for one in rights], object),
        "meter_value": np.array([in_meter_unit(one.value, one.unit) for one in rights], float),
        "note": np.array([one.note for one in rights], object),
    }
    ids, new, _ = record(columns, Source.SHEET, now)
    back = np.isin(ids, _put_aside(row))  # what an earlier correction had taken for wrong
    if back.any():
        judge_anew(ids[back])
    row.vehicle = vehicle
    for one, pk in zip(rights, ids.tolist(), strict=True):
        setattr(row, f"{FIELD[Meter.Kind(one.kind)]}_id", pk)
    waits = bool((new | back).any())
    row.outcome = Outcome.WAITING if waits else Outcome.REPEATED
    row.message = "" if waits else REPEATED
    row.save()


def _utc(at: datetime) -> int:
    return round(at.timestamp())


def _put_aside(row: UploadRow) -> list[int]:
    pairs = row.corrections.values_list("reading", "hours_reading")
    return [pk for pair in pairs for pk in pair if pk is not None]
