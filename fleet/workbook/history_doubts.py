"""Service history of a book that the readings contradict, each row named at its place."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from fleet.calc.arrays import Array
from fleet.due.claims import Facts, claims_of
from fleet.due.doubt import NO_VEHICLE, Doubt, doubts
from fleet.vehicles.models import Meter, Vehicle
from fleet.workbook.columns import Row, fold
from fleet.workbook.notes import Notes
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.world import World, is_zone

HISTORY, VEHICLES, CHANGES = (
    BY_NAME[name] for name in ("Service history", "Vehicles", "Meter changes")
)
TOTALS = {Meter.Kind.KM: "total_km", Meter.Kind.HOURS: "total_h"}
WHY = HISTORY.column("why_it_stands").heading
WINTER = datetime(2001, 1, 1, tzinfo=UTC)


def check_history(world: World, notes: Notes) -> None:
    """Hold every total against what is known of its vehicle.

    What an odometer contradicts is a fault. What only other records contradict is warned about,
    and so is what the fleet has already: a book that is exported loads again. A row that says why
    its total stands is left alone.
    """
    table = world.tables[HISTORY.name]
    numbers = dict(zip(map(HISTORY.key_of, table.rows), table.numbers, strict=True))
    known = _known_vehicles(world, {fold(row[0]) for row in table.rows})
    if not known:
        return
    facts, place = _facts(world, known), {key: at for at, key in enumerate(known)}
    rows = [row for row in world.rows[HISTORY.name].values() if fold(row[0]) in place]
    for kind, name in TOTALS.items():
        for row, one in _doubted(rows, facts, place, kind):
            number = numbers.get(HISTORY.key_of(row))
            if number is not None and not row[HISTORY.at["why_it_stands"]]:
                _note(world, notes, row, number, name, one)


def _note(world: World, notes: Notes, row: Row, number: int, name: str, one: Doubt) -> None:
    stored = world.fleet[HISTORY.name].get(HISTORY.key_of(row))
    unchanged = stored is not None and stored.row == row
    meant = f" ({'; '.join(one.meant)})" if one.meant else ""
    say = notes.fault if one.by_reading and not unchanged else notes.warn
    heading = HISTORY.column(name).heading
    remedy = f"correct it, or say in '{WHY}' why it is right"
    say(HISTORY.name, number, heading, f"{one.text}{meant}; {remedy}")


def _doubted(
    rows: list[Row], facts: Facts, place: dict[str, int], kind: str
) -> Iterator[tuple[Row, Doubt]]:
    total_at, on_at = HISTORY.at[TOTALS[Meter.Kind(kind)]], HISTORY.at["done_on"]
    given = [row for row in rows if row[total_at] is not None]
    if given:
        vehicle = np.array([place[fold(row[0])] for row in given])
        on = np.array([row[on_at] for row in given], dtype="M8[D]")
        total = np.array([row[total_at] for row in given], dtype=np.float64)
        for one in doubts(claims_of(facts, vehicle, on, total, kind), kind):
            yield given[one.at], one


# --- what the book and the fleet know of the vehicles ------------------------------------------
def _known_vehicles(world: World, wanted: set[str]) -> list[str]:
    """Vehicles that have a type and a depot whose clock is known."""
    found = []
    for key in sorted(wanted):
        row = world.rows[VEHICLES.name].get((key,))
        zone = row and world.value(VEHICLES, row, "depot.zone")
        typed = row and world.value(VEHICLES, row, "vehicle_type.top_km_per_day")
        if zone and is_zone(zone) and typed:
            found.append(key)
    return found


def _facts(world: World, known: list[str]) -> Facts:
    rows = [world.rows[VEHICLES.name][(key,)] for key in known]
    joined = {key: _value(row, "joined_on") for key, row in zip(known, rows, strict=True)}
    offsets = _meter_offsets(world, joined)
    at_joining = [_value(row, "meter_at_joining_km") for row in rows]
    joined_km = [
        np.nan if km is None else km + offsets.get(key, 0.0)
        for key, km in zip(known, at_joining, strict=True)
    ]
    zones = [world.value(VEHICLES, row, "depot.zone") for row in rows]
    stored = [world.fleet[VEHICLES.name].get((key,)) for key in known]
    return Facts(
        vehicle_id=np.array([NO_VEHICLE if one is None else one.id for one in stored]),
        utc_offset_d=np.array([_offset_d(zone) for zone in zones]),
        off_road=np.array([_value(row, "status") == Vehicle.Status.OFF_ROAD for row in rows]),
        began_on=_dates(rows, "in_service_on"),
        began_km=np.array([_value(row, "in_service_km") or 0.0 for row in rows]),
        joined_on=_dates(rows, "joined_on"),
        joined_km=np.array(joined_km, dtype=np.float64),
        most_km_per_day=_of_type(world, rows, "top_km_per_day"),
        usual_km_per_day=_of_type(world, rows, "expected_km_per_day"),
        usual_h_per_day=_of_type(world, rows, "expected_h_per_day"),
    )


def _value(row: Row, name: str) -> Any:
    return row[VEHICLES.at[name]]


def _dates(rows: list[Row], name: str) -> Array:
    return np.array([_value(row, name) for row in rows], dtype="M8[D]")


def _of_type(world: World, rows: list[Row], name: str) -> Array:
    found = [world.value(VEHICLES, row, f"vehicle_type.{name}") for row in rows]
    return np.array(found, dtype=np.float64)


def _offset_d(zone: str) -> float:
    offset = WINTER.astimezone(ZoneInfo(zone)).utcoffset()
    return offset.total_seconds() / 86_400 if offset is not None else 0.0


def _meter_offsets(world: World, joined_on: dict[str, date]) -> dict[str, float]:
    """What replaced odometers had counted when each vehicle joined [km]."""
    found: dict[str, tuple[datetime, float]] = {}
    for vehicle, kind, from_at, offset, _ in world.rows[CHANGES.name].values():
        key = fold(vehicle)
        until = joined_on.get(key)
        joined = until is not None and from_at.date() < until + timedelta(days=1)
        if joined and kind == Meter.Kind.KM and (key not in found or found[key][0] < from_at):
            found[key] = from_at, offset
    return {key: offset for key, (_, offset) in found.items()}
