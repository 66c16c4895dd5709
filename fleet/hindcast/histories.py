"""Accepted readings of the fleet's odometers, as arrays for a replay."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from fleet import bulk
from fleet.calc.arrays import KM_PER_MILE, Array
from fleet.calc.replay import Histories
from fleet.calc.usage import Events
from fleet.faults import Fault
from fleet.vehicles.models import Depot, VehicleType

IDS = ("id", "vehicle_id", "type_id", "depot_id")
FIGURES = ("rate", "spread", "top_km_per_day", "unit_km")
COLUMNS = (*IDS, *FIGURES, "class_row")


@dataclass(frozen=True)
class Meters:
    """Odometers with accepted readings, in order of id."""

    id: Array
    vehicle_id: Array
    type_id: Array
    depot_id: Array
    class_row: Array
    rate: Array  # class rate the meter's state started with [km/day]
    spread: Array
    top_km_per_day: Array
    unit_km: Array  # km per unit of the instrument
    names: dict[int, str]  # class row -> type@depot

    def __len__(self) -> int:
        return len(self.id)

    def sample(self, most: int, seed: int) -> "Meters":
        """Themselves, or a seeded sample where there are more than ``most``."""
        if len(self) <= most:
            return self
        drawn = np.sort(np.random.default_rng(seed).choice(len(self), most, replace=False))
        return replace(self, **{name: getattr(self, name)[drawn] for name in COLUMNS})


def gather_meters(vehicle_class: str = "") -> Meters:
    """Odometers of a class (``van`` or ``van@hill``; default all).

    Raises
    ------
    Fault
        No such vehicle type or depot.
    """
    where, params = _class_condition(vehicle_class)
    sql = f"""
        SELECT m.id, m.vehicle_id, v.vehicle_type_id, v.depot_id, s.rate_km_per_day, s.spread,
            t.top_km_per_day, CASE WHEN m.unit = 'mi' THEN {KM_PER_MILE} ELSE 1.0 END
        FROM usage_usagestate s JOIN vehicles_meter m ON m.id = s.meter_id
        JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        JOIN vehicles_vehicletype t ON t.id = v.vehicle_type_id
        WHERE m.kind = 'km' AND {where} ORDER BY m.id"""  # noqa: S608
    found = bulk.read(sql, params, dict.fromkeys(IDS, "i8") | dict.fromkeys(FIGURES, "f8"))
    pairs, class_row = np.unique(
        np.stack((found["type_id"], found["depot_id"])), axis=1, return_inverse=True
    )
    return Meters(**found, names=_class_names(pairs), class_row=class_row.reshape(-1))


def _class_condition(vehicle_class: str) -> tuple[str, list[str]]:
    if not vehicle_class:
        return "1 = 1", []
    type_slug, _, depot_slug = vehicle_class.strip().lower().partition("@")
    _must_exist("vehicle type", type_slug, set(VehicleType.objects.values_list("slug", flat=True)))
    if not depot_slug:
        return "t.slug = %s", [type_slug]
    _must_exist("depot", depot_slug, set(Depot.objects.values_list("slug", flat=True)))
    depot = "v.depot_id = (SELECT d.id FROM vehicles_depot d WHERE d.slug = %s)"
    return f"t.slug = %s AND {depot}", [type_slug, depot_slug]


def _must_exist(what: str, slug: str, known: set[str]) -> None:
    if slug not in known:
        listed = ", ".join(sorted(known)) or "none yet"
        raise Fault(f"There is no {what} {slug!r}; there are: {listed}.")


def _class_names(pairs: Array) -> dict[int, str]:
    types = dict(VehicleType.objects.values_list("pk", "slug"))
    depots = dict(Depot.objects.values_list("pk", "slug"))
    each = enumerate(zip(*pairs.tolist(), strict=True))
    return {row: f"{types[type_pk]}@{depots[depot_pk]}" for row, (type_pk, depot_pk) in each}


def gather_histories(meters: Meters, until_on: date) -> Histories:
    """Accepted readings and moved bases up to the end of a day (UTC)."""
    where, params = bulk.among("meter_id", meters.id)
    at_d = bulk.instant_d("taken_at")
    end_d = float(np.datetime64(until_on + timedelta(days=1), "D").astype(np.int64))
    sql = f"""
        SELECT meter_id, {at_d}, total, moves_base FROM readings_reading
        WHERE {where} AND (verdict = 'accepted' OR moves_base) AND {at_d} < %s
        ORDER BY meter_id, taken_at, id"""  # noqa: S608
    kinds = {"meter_id": "i8", "at_d": "f8", "km": "f8", "shift": "?"}
    events = bulk.read(sql, [*params, end_d], kinds)
    offsets = np.searchsorted(events["meter_id"], np.append(meters.id, np.iinfo(np.int64).max))
    return Histories(
        Events.of(offsets, events["at_d"], events["km"], events["shift"]),
        meters.rate,
        meters.spread,
        meters.class_row,
    )
