"""Readings that come one by one or in a list, not in a sheet: stored as given, judged later."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from fleet.faults import Fault
from fleet.readings.models import Reading, Source
from fleet.units import UnitError
from fleet.vehicles.models import Meter
from fleet.vehicles.own_unit import from_own

KINDS = {"km": Meter.Kind.KM, "mi": Meter.Kind.KM, "h": Meter.Kind.HOURS}
NOON = time(12)
METER_KEY = ("vehicle_id", "kind")

Key = tuple[int, datetime, float, str]


class EntryFault(Fault):
    """A reading that cannot be stored."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A reading to store."""

    vehicle_id: int
    meter_id: int
    taken_at: datetime  # UTC
    time_known: bool
    value: float  # as given
    unit: str  # as given: km, mi or h
    note: str = ""

    @property
    def key(self) -> Key:
        return self.meter_id, self.taken_at, self.value, self.unit


@dataclass(frozen=True, slots=True)
class Entered:
    """What became of an entry."""

    reading_id: int
    repeated: bool  # the same reading was there already


def noon_at(day: date, zone: str) -> datetime:
    """The instant that stands for a day without a time: noon at the depot."""
    return datetime.combine(day, NOON, ZoneInfo(zone))


def in_meter_unit(value: float, unit: str) -> float:
    """A value as given in km (or h)."""
    try:
        return from_own(value, unit)
    except UnitError as error:
        raise EntryFault(str(error)) from error


def meters_of(wanted: Mapping[tuple[int, str], str]) -> dict[tuple[int, str], int]:
    """Meter ids by vehicle and kind; a missing meter is made, with that unit.

    Parameters
    ----------
    wanted
        (vehicle id, kind of meter) to the unit of its first reading.
    """
    vehicles = {vehicle_id for vehicle_id, _ in wanted}

    def stored() -> dict[tuple[int, str], int]:
        rows = Meter.objects.filter(vehicle_id__in=vehicles)
        return {(vehicle, kind): pk for vehicle, kind, pk in rows.values_list(*METER_KEY, "id")}

    found = stored()
    missing = [
        Meter(vehicle_id=vehicle, kind=kind, unit=unit)
        for (vehicle, kind), unit in wanted.items()
        if (vehicle, kind) not in found
    ]
    if missing:
        Meter.objects.bulk_create(missing, ignore_conflicts=True)
        found = stored()
    return found


def enter(entries: Sequence[Entry], source: Source) -> list[Entered]:
    """Store readings, each once; the caller judges them afterwards (``chain.refresh``)."""
    before = _stored(entries, source)
    fresh = {entry.key: entry for entry in entries if entry.key not in before}
    Reading.objects.bulk_create(
        (_row(entry, source) for entry in fresh.values()), ignore_conflicts=True, batch_size=2_000
    )
    stored = {**_stored(list(fresh.values()), source), **before}
    seen: set[Key] = set(before)
    entered = []
    for entry in entries:
        entered.append(Entered(stored[entry.key], entry.key in seen))
        seen.add(entry.key)
    return entered


def _stored(entries: Sequence[Entry], source: Source) -> dict[Key, int]:
    if not entries:
        return {}
    instants = [entry.taken_at for entry in entries]
    rows = Reading.objects.filter(
        meter_id__in={entry.meter_id for entry in entries},
        taken_at__range=(min(instants), max(instants)),
        source=source,
    )
    found = rows.values_list("meter_id", "taken_at", "value", "unit", "id")
    return {(meter, at, value, unit): pk for meter, at, value, unit, pk in found}


def _row(entry: Entry, source: Source) -> Reading:
    return Reading(
        vehicle_id=entry.vehicle_id,
        meter_id=entry.meter_id,
        taken_at=entry.taken_at,
        time_known=entry.time_known,
        value=entry.value,
        unit=entry.unit,
        source=source,
        note=entry.note,
        meter_value=in_meter_unit(entry.value, entry.unit),
    )
