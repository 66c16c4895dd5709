"""Entries of a sheet to readings of vehicles: which vehicle, which instant in UTC, which unit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from fleet.calc.arrays import Array
from fleet.readings.cells import KM_PER, Figures, Unit
from fleet.readings.entries import NO_OFFSET, Entries
from fleet.readings.models import UploadRow
from fleet.readings.moments import local_noon_s, to_utc_s
from fleet.readings.roll import LONGEST, Roll, name_of
from fleet.vehicles.models import Meter

Outcome = UploadRow.Outcome

LARGEST = 1e15  # beyond it a float holds no whole numbers; the judge sees all below


@dataclass(slots=True)
class Resolved:
    """Rows of an upload ready to be written, and the readings in them."""

    rows: dict[str, Array]  # columns of UploadRow, outcomes of readings still waiting
    readings: dict[str, Array]  # columns as ``record`` takes them
    row_of: Array  # reading -> position of its row
    hours: Array  # reading -> whether it is of the hours meter


def resolve(entries: Entries, roll: Roll, unit: Unit | None, received_at: datetime) -> Resolved:
    """Match the entries of one chunk; ``unit`` is the whole file's, if one was stated."""
    found = {cell: roll.find(cell) for cell in set(entries.vehicles)}
    place_of = {cell: place if type(place) is int else -1 for cell, place in found.items()}
    place = np.array([place_of[cell] for cell in entries.vehicles], np.int64)
    known = place >= 0
    messages = np.full(len(entries), "", object)
    outcomes = np.full(len(entries), Outcome.WAITING.value, object)
    for position in np.flatnonzero(~known).tolist():
        outcomes[position] = Outcome.UNKNOWN_VEHICLE.value
        messages[position] = found[entries.vehicles[position]]
    units = _units(entries, unit)
    for position, text in [*entries.faults.items(), *_unit_faults(entries, units)]:
        outcomes[position], messages[position] = Outcome.UNREADABLE.value, text
    sound = outcomes == Outcome.WAITING
    taken_s = _instants(entries, roll, place, sound, received_at, messages)
    _hours_faults(entries, sound, outcomes, messages)
    parts = list(_parts(entries, roll, place, sound, units))
    rows = _rows(entries, roll, place, known, outcomes, messages)
    return _gathered(rows, parts, entries, taken_s, roll, place)


def _units(entries: Entries, unit: Unit | None) -> Array:
    """Unit of each odometer: as the cell, row or heading says, else the file's, else open."""
    units = np.array([stated or unit or "" for stated in entries.units], object)
    for position, written in entries.odometers.units.items():
        units[position] = written
    return units


def _unit_faults(entries: Entries, units: Array) -> Iterator[tuple[int, str]]:
    for position, written in entries.odometers.units.items():
        stated = entries.units[position]
        if stated not in (None, written):
            yield (
                position,
                (
                    f"Row {entries.rows[position]} gives the odometer in {written}, but its column "
                    f"says {stated}: make them agree."
                ),
            )
    for position in np.flatnonzero(units == "h").tolist():
        yield position, f"Row {entries.rows[position]} has an odometer in hours: write km or mi."
    with np.errstate(invalid="ignore"):
        large = np.abs(entries.odometers.values) > LARGEST
    for position in np.flatnonzero(large).tolist():
        yield (
            position,
            (
                f"Row {entries.rows[position]} holds {entries.odometers.values[position]:g}, too "
                "large for any meter: correct it."
            ),
        )


def _instants(
    entries: Entries,
    roll: Roll,
    place: Array,
    sound: Array,
    received_at: datetime,
    messages: Array,
) -> Array:
    moments = entries.moments
    zone = np.where(sound, roll.zone[place], 0) if len(roll.ids) else np.zeros(len(place), int)
    today_s = local_noon_s(received_at, roll.zones)[zone]
    running = (
        (moments.month_from_s != NO_OFFSET)
        & (moments.month_from_s <= today_s)
        & (moments.wall_s > today_s)
    )
    wall_s = np.where(running, today_s, moments.wall_s)
    utc_s, moved_s = to_utc_s(wall_s, zone, roll.zones)
    zoned = moments.offset_s != NO_OFFSET
    utc_s = np.where(zoned, wall_s - np.where(zoned, moments.offset_s, 0), utc_s)
    for position in np.flatnonzero(sound & running).tolist():
        day = datetime.fromtimestamp(int(wall_s[position]), tz=UTC)
        messages[position] = f"The month is still running: taken as read on {day:%-d %B %Y}."
    for position in np.flatnonzero(sound & (moved_s > 0) & ~zoned).tolist():
        given = datetime.fromtimestamp(int(wall_s[position]), tz=UTC)
        moved = datetime.fromtimestamp(int(wall_s[position] + moved_s[position]), tz=UTC)
        messages[position] = (
            f"{given:%H:%M} did not exist on {given:%-d %B %Y}, when clocks went forward: "
            f"taken as {moved:%H:%M}."
        )
    return utc_s


def _hours_faults(entries: Entries, sound: Array, outcomes: Array, messages: Array) -> None:
    """A row whose hours cannot be read is unreadable, but its odometer is taken."""
    for position, text in entries.hours_faults.items():
        if sound[position]:
            taken = not np.isnan(entries.odometers.values[position])
            outcomes[position] = Outcome.UNREADABLE.value
            messages[position] = f"{'The odometer was taken, but ' if taken else ''}{text}"


@dataclass(slots=True)
class _Part:
    """Readings of one kind of meter in a chunk."""

    at: Array  # positions of their entries
    meter_ids: Array
    values: Array
    units: Array
    hours: bool


def _parts(
    entries: Entries, roll: Roll, place: Array, sound: Array, units: Array
) -> Iterator[_Part]:
    figures: list[tuple[Figures, Meter.Kind]] = [(entries.odometers, Meter.Kind.KM)]
    if entries.hours is not None:
        figures.append((entries.hours, Meter.Kind.HOURS))
    for column, kind in figures:
        at = np.flatnonzero(sound & ~np.isnan(column.values))
        if not at.size:
            continue
        meter_ids, own_units = roll.meters(kind, place[at])
        hours = kind == Meter.Kind.HOURS
        stated = np.full(at.size, "h", object) if hours else units[at]
        yield _Part(
            at, meter_ids, column.values[at], np.where(stated == "", own_units, stated), hours
        )


def _rows(
    entries: Entries, roll: Roll, place: Array, known: Array, outcomes: Array, messages: Array
) -> dict[str, Array]:
    vehicles = np.full(len(entries), None, object)
    if known.any():
        vehicles[known] = roll.ids[place[known]].tolist()
    named = np.full(len(entries), "", object)
    for position in np.flatnonzero(messages != "").tolist():
        messages[position] = clipped(messages[position])
    for position in np.flatnonzero(outcomes == Outcome.UNKNOWN_VEHICLE).tolist():
        named[position] = name_of(entries.vehicles[position])[:LONGEST]
    return {
        "sheet": np.full(len(entries), entries.sheet[:40], object),
        "row": np.array(entries.rows, np.int64),
        "column": np.array(entries.columns, object),
        "raw": np.array(entries.raw, object),
        "vehicle_id": vehicles,
        "outcome": outcomes,
        "message": messages,
        "named": named,
    }


def clipped(text: str, most: int = 300) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _gathered(
    rows: dict[str, Array],
    parts: list[_Part],
    entries: Entries,
    taken_s: Array,
    roll: Roll,
    place: Array,
) -> Resolved:
    at = np.concatenate([np.empty(0, np.int64), *(part.at for part in parts)])
    values = np.concatenate([np.empty(0), *(part.values for part in parts)])
    units = np.concatenate([np.empty(0, object), *(part.units for part in parts)])
    notes = [clipped(str(note)) for note in entries.notes] or [""] * len(entries)
    return Resolved(
        rows,
        {
            "vehicle_id": roll.ids[place[at]],
            "meter_id": np.concatenate([np.empty(0, np.int64), *(p.meter_ids for p in parts)]),
            "taken_at": taken_s[at].astype("M8[s]"),
            "time_known": entries.moments.time_known[at],
            "value": values,
            "unit": units,
            "meter_value": np.where(units == "mi", values * KM_PER["mi"], values),
            "note": np.array(notes, object)[at],
        },
        at,
        np.concatenate([np.empty(0, bool), *(np.full(len(p.at), p.hours) for p in parts)]),
    )
