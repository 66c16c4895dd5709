"""Stored due dates that a computation from scratch would not find."""

from collections.abc import Iterator
from datetime import date

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, IntArray
from fleet.due.forecast import VEHICLES_AT_ONCE, compute
from fleet.due.gather import gather
from fleet.due.models import DueDate, Service
from fleet.due.rules import gather_basis
from fleet.vehicles.models import Vehicle

KEY = ("vehicle_id", "service_id")
DATES = ("DateField",)
TEXTS = ("CharField",)


def differing(vehicle_ids: IntArray, today: date) -> Iterator[str]:
    """Compute everything anew, write nothing, and give a sentence for each row that differs."""
    basis = gather_basis()
    for begin in range(0, len(vehicle_ids), VEHICLES_AT_ONCE):
        ids = vehicle_ids[begin : begin + VEHICLES_AT_ONCE]
        chunk = gather(ids, basis.rules, basis.depots, today)
        rows = np.arange(len(chunk.rows.vehicle))
        fresh = _plain(compute(chunk, rows, basis))
        yield from _named(_stored(chunk.vehicle_id, list(fresh)), fresh)


def _kind(name: str) -> str:
    field = next(one for one in DueDate._meta.concrete_fields if one.attname == name)
    return field.get_internal_type()


def _plain(columns: dict[str, Array]) -> dict[str, Array]:
    """Columns as they come back from the database: numbers (dates too) and texts."""
    return {
        name: column.astype(str) if _kind(name) in TEXTS else _number(column)
        for name, column in columns.items()
    }


def _number(column: Array) -> Array:
    if column.dtype.kind == "M":
        known = ~np.isnat(column)
        days = np.where(known, column, np.datetime64(0, "D")).astype("M8[D]").astype(np.float64)
        return np.where(known, days, np.nan)
    return column if column.dtype.kind == "i" else column.astype(np.float64)


def _stored(vehicle_ids: IntArray, names: list[str]) -> dict[str, Array]:
    where, params = bulk.among("vehicle_id", vehicle_ids)
    asked = ", ".join(bulk.day_number(name) if _kind(name) in DATES else name for name in names)
    kinds = {
        name: "O" if _kind(name) in TEXTS else "i8" if name in (*KEY, "inputs_hash") else "f8"
        for name in names
    }
    sql = f"SELECT {asked} FROM due_duedate WHERE {where}"  # noqa: S608
    return bulk.read(sql, params, kinds)


def _named(stored: dict[str, Array], fresh: dict[str, Array]) -> Iterator[str]:
    ours, theirs = (one["vehicle_id"] * 2**31 + one["service_id"] for one in (fresh, stored))
    both, here, stored_at = np.intersect1d(ours, theirs, return_indices=True)
    unlike: dict[int, list[str]] = {}
    for name, column in fresh.items():
        for at in np.flatnonzero(_differs(column[here], stored[name][stored_at])).tolist():
            unlike.setdefault(at, []).append(name)
    name_of = _Names()
    for at, names in sorted(unlike.items()):
        yield f"{name_of(both[at])}: {_unlike(names, stored, stored_at[at], fresh, here[at])}."
    for key in np.setdiff1d(ours, theirs):
        yield f"{name_of(key)}: it has no due date yet."
    for key in np.setdiff1d(theirs, ours):
        yield f"{name_of(key)}: a due date is stored that nothing asks for."


def _differs(one: Array, other: Array) -> Array:
    if one.dtype.kind in "UO":
        return np.asarray(one.astype(str) != other.astype(str))
    return np.asarray((one != other) & ~((one != one) & (other != other)))


def _unlike(
    names: list[str], stored: dict[str, Array], at: int, fresh: dict[str, Array], here: int
) -> str:
    if "p50" in names:
        return f"expected {_day(stored['p50'][at])}, from scratch {_day(fresh['p50'][here])}"
    return f"{', '.join(names)} would differ from scratch"


def _day(number: float) -> str:
    return "no date" if np.isnan(number) else str(np.datetime64(int(number), "D"))


class _Names:
    """Fleet number and service of a row, looked up once there is something to name."""

    def __init__(self) -> None:
        self.vehicles: dict[int, str] = {}
        self.services: dict[int, str] = {}

    def __call__(self, key: int) -> str:
        if not self.services:
            self.services = dict(Service.objects.values_list("pk", "slug"))
            self.vehicles = dict(Vehicle.objects.values_list("pk", "fleet_number"))
        vehicle_id, service_id = divmod(int(key), 2**31)
        return f"{self.vehicles[vehicle_id]}, {self.services[service_id]}"
