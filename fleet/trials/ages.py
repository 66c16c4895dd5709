"""How old the fluid was when a rating was given or a sample drawn, and which product it was."""

from dataclasses import dataclass

import numpy as np

from fleet import bulk
from fleet.calc import usage
from fleet.calc.arrays import Array
from fleet.calc.km_at import km_at
from fleet.calc.level_paths import moments_ahead
from fleet.calc.trial_ages import NONE, age, newest
from fleet.calc.usage import State
from fleet.due.models import Service
from fleet.usage.measure import STATE_COLUMNS

NOON_D = 0.5  # a change known by its date alone was at noon


@dataclass(frozen=True)
class FluidAges:
    """Of each vehicle at each instant asked about."""

    age_km: Array  # NaN where not known
    age_d: Array
    product_id: Array  # -1 where not known
    change_id: Array  # the change (ServiceDone) that the age counts from, -1 for none


@dataclass(frozen=True)
class Odometers:
    """Accepted readings and usage of some vehicles; row i is that of the i-th vehicle."""

    vehicle_id: Array  # sorted
    offsets: Array
    at_d: Array
    km: Array
    usage: dict[str, Array]  # columns of the states, NaN where there is none

    def total_km(self, vehicle_id: Array, asked_d: Array) -> Array:
        """Between readings interpolated, after the last one as usage expects; else NaN."""
        row = np.searchsorted(self.vehicle_id, vehicle_id)
        total = km_at(self.offsets, self.at_d, self.km, row, asked_d)
        states = {name: column[row] for name, column in self.usage.items()}
        ahead_d = asked_d - states["last_at_d"]
        later = np.flatnonzero(np.isnan(total) & (ahead_d > 0))
        state = State(**{name: column[later] for name, column in states.items()})
        mean_km, _ = moments_ahead(usage.law(state), ahead_d[later])
        total[later] = state.last_km + mean_km
        return total


def fluid_ages(service: Service, vehicle_id: Array, asked_d: Array) -> FluidAges:
    """Age and product of the fluid that a service changes.

    Parameters
    ----------
    service
        The service whose fluid it is.
    vehicle_id, asked_d
        Vehicles and instants [d since 1970], in any order.
    """
    odometers = gather_odometers(np.unique(vehicle_id))
    done = _changes(service, odometers.vehicle_id)
    unknown = np.isnan(done["km"])
    done["km"][unknown] = odometers.total_km(done["vehicle_id"][unknown], done["at_d"][unknown])
    change = newest(done["vehicle_id"], done["at_d"] - NOON_D, vehicle_id, asked_d)
    at = {name: _picked(column, change) for name, column in done.items()}
    return FluidAges(
        age(at["km"], odometers.total_km(vehicle_id, asked_d)),
        age(at["at_d"], asked_d),
        _products(service, vehicle_id, asked_d, at["at_d"]),
        np.nan_to_num(at["id"], nan=NONE).astype(np.int64),
    )


def _picked(column: Array, row: Array) -> Array:
    """The column at each row as floats, NaN for row -1."""
    return np.append(column.astype(np.float64), np.nan)[row]


def gather_odometers(vehicle_ids: Array) -> Odometers:
    """Read the distance meters of some vehicles."""
    where, params = bulk.among("m.vehicle_id", vehicle_ids)
    sql = f"""
        SELECT m.vehicle_id, {bulk.instant_d("r.taken_at")}, r.total
        FROM readings_reading r JOIN vehicles_meter m ON m.id = r.meter_id
        WHERE {where} AND m.kind = 'km' AND r.verdict = 'accepted'
        ORDER BY m.vehicle_id, r.taken_at, r.id"""  # noqa: S608
    read = bulk.read(sql, params, {"vehicle_id": "i8", "at_d": "f8", "km": "f8"})
    offsets = np.searchsorted(read["vehicle_id"], np.append(vehicle_ids, np.iinfo(np.int64).max))
    return Odometers(vehicle_ids, offsets, read["at_d"], read["km"], _states(vehicle_ids))


def _states(vehicle_ids: Array) -> dict[str, Array]:
    where, params = bulk.among("m.vehicle_id", vehicle_ids)
    columns = ", ".join(f"s.{name}" for name in STATE_COLUMNS)
    sql = f"""
        SELECT m.vehicle_id, {columns} FROM usage_usagestate s
        JOIN vehicles_meter m ON m.id = s.meter_id
        WHERE {where} AND m.kind = 'km' ORDER BY m.vehicle_id"""  # noqa: S608
    read = bulk.read(sql, params, {"vehicle_id": "i8"} | dict.fromkeys(STATE_COLUMNS, "f8"))
    rows = np.searchsorted(vehicle_ids, read.pop("vehicle_id"))
    states = {name: np.full(len(vehicle_ids), np.nan) for name in STATE_COLUMNS}
    for name, column in read.items():
        states[name][rows] = column
    return states


def _changes(service: Service, vehicle_ids: Array) -> dict[str, Array]:
    where, params = bulk.among("d.vehicle_id", vehicle_ids)
    sql = f"""
        SELECT d.vehicle_id, d.id, {bulk.day_number("d.done_on")} + {NOON_D}, d.total_km
        FROM due_servicedone d LEFT JOIN due_servicedone n ON n.supersedes_id = d.id
        WHERE {where} AND d.service_id = %s AND n.id IS NULL AND NOT d.void
        ORDER BY d.vehicle_id, d.done_on, d.id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "id": "i8", "at_d": "f8", "km": "f8"}
    return bulk.read(sql, [*params, service.pk], kinds)


def _products(service: Service, vehicle_id: Array, asked_d: Array, change_d: Array) -> Array:
    """Product of the newest full fill since the change that the age counts from."""
    ids = np.unique(vehicle_id)
    where, params = bulk.among("vehicle_id", ids)
    sql = f"""
        SELECT vehicle_id, {bulk.day_number("filled_on")}, COALESCE(product_id, -1),
            full_change AND mixed_with = ''
        FROM due_fill WHERE {where} AND compartment_id = %s
        ORDER BY vehicle_id, filled_on, id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "at_d": "f8", "product_id": "i8", "pure": "?"}
    fills = bulk.read(sql, [*params, service.compartment_id], kinds)
    row = newest(fills["vehicle_id"], fills["at_d"], vehicle_id, asked_d)
    since = _picked(fills["at_d"], row) + NOON_D >= change_d
    pure = _picked(fills["pure"], row) == 1
    return np.where(since & pure, _picked(fills["product_id"], row), NONE).astype(np.int64)
