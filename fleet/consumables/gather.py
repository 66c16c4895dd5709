"""Everything a depot's demand rests on, as arrays: one row per vehicle and service.

It starts from the stored due dates and from the usage states they were computed from, so that both
tell the same.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, FloatArray, IntArray
from fleet.calc.demand import Repeats, Services
from fleet.due.gather import Meters, meters_in, states_of
from fleet.due.rules import ANY_PRODUCT, CLASSES, REPEAT, Rules
from fleet.workorders.models import WorkOrder

# a released order fixes the day; a drafted one may still be moved
FIXED = (WorkOrder.State.RELEASED, WorkOrder.State.STARTED, WorkOrder.State.WAITING)
NO_DAY = np.datetime64("NaT", "D")
DAYS_PER_YEAR = 365
ANY_TYPE = -1
VEHICLES_AT_ONCE = 2_000  # their levels over a year stay within a few hundred megabytes


@dataclass(frozen=True)
class Class:
    """Some vehicles of a depot that are of one type; or, where nothing is summed up over them, of
    any."""

    type_id: int
    vehicle_id: IntArray  # (v,) sorted
    km: Meters
    km_of: IntArray  # (v,) row in ``km``, -1 for none
    hours: Meters
    hours_of: IntArray
    vehicle: IntArray  # (r,) row of the vehicle
    service_id: IntArray  # (r,)
    services: Services  # (r,)
    unknown: IntArray  # (u, 2) vehicle and service whose history is not known


def gather(depot_id: int, rules: Rules) -> Iterator[Class]:
    """Read the vehicles of a depot with what falls due on them, type by type, some at a time."""
    found = _gathered("v.depot_id = %s", [depot_id], rules)
    for type_id in np.unique(found.type_id).tolist():
        ids = found.vehicle_id[found.type_id == type_id]
        for begin in range(0, len(ids), VEHICLES_AT_ONCE):
            yield found.some(ids[begin : begin + VEHICLES_AT_ONCE], type_id)


@dataclass(frozen=True)
class Gathered:
    """Vehicles as they were read, to be taken apart into classes."""

    vehicle_id: IntArray  # (v,) sorted
    depot_id: IntArray  # (v,)
    type_id: IntArray  # (v,)
    rows: dict[str, Array]
    planned: dict[tuple[int, int], int]
    states: dict[str, Array]
    rules: Rules

    def some(self, vehicle_ids: IntArray, type_id: int = ANY_TYPE) -> Class:
        """Some of them, by id in order."""
        meters = meters_in(self.states, vehicle_ids)
        return _class(type_id, vehicle_ids, self.rows, self.planned, meters, self.rules)


def gather_vehicles(
    vehicle_ids: IntArray, rules: Rules, wanted: str, of_wanted: Sequence[Any]
) -> Gathered:
    """Read those of some vehicles, of any depots, that have due dates ``d`` under a condition in
    SQL, in the same way, with these dates only."""
    (where, ids), (mine, _) = (bulk.among(name, vehicle_ids) for name in ("v.id", "d.vehicle_id"))
    # of both, or PostgreSQL would look through all due dates for what is wanted
    rows = _due_rows(f"{where} AND {mine} AND {wanted}", [*ids, *ids, *of_wanted])
    return _with_rows(*bulk.among("v.id", np.unique(rows["vehicle_id"])), rows, rules)


def _gathered(where: str, params: list[Any], rules: Rules) -> Gathered:
    return _with_rows(where, params, _due_rows(where, params), rules)


def _with_rows(where: str, params: list[Any], rows: dict[str, Array], rules: Rules) -> Gathered:
    vehicles, planned = _vehicles(where, params), _planned(where, params)
    states = states_of(vehicles["id"])
    of_each = vehicles["id"], vehicles["depot_id"], vehicles["type_id"]
    return Gathered(*of_each, rows, planned, states, rules)


def _vehicles(where: str, params: list[Any]) -> dict[str, Array]:
    sql = f"""
        SELECT v.id, v.depot_id, v.vehicle_type_id FROM vehicles_vehicle v
        WHERE v.status <> 'sold' AND {where} ORDER BY v.id"""  # noqa: S608
    return bulk.read(sql, params, dict.fromkeys(("id", "depot_id", "type_id"), "i8"))


def _due_rows(where: str, params: list[Any]) -> dict[str, Array]:
    sql = f"""
        SELECT d.vehicle_id, d.service_id, d.remaining_km, d.remaining_h,
            {bulk.day_number("d.calendar_on")}, d.duty_class, COALESCE(l.product_id, {ANY_PRODUCT}),
            d.history_known
        FROM due_duedate d JOIN vehicles_vehicle v ON v.id = d.vehicle_id
        LEFT JOIN due_limit l ON l.id = d.limit_id
        WHERE v.status <> 'sold' AND {where}
        ORDER BY d.vehicle_id, d.service_id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "service_id": "i8", "km_left": "f8", "hours_left": "f8"}
    kinds |= {"calendar_d": "f8", "duty_class": "O", "product_id": "i8", "known": "?"}
    return bulk.read(sql, params, kinds)


def _planned(where: str, params: list[Any]) -> dict[tuple[int, int], int]:
    """Day that a released order fixes for a service of a vehicle."""
    planned, states = planned_days()
    sql = f"SELECT vehicle_id, service_id, on_d FROM ({planned} AND {where}) p"  # noqa: S608
    kinds = dict.fromkeys(("vehicle_id", "service_id", "on_d"), "i8")
    found = bulk.read(sql, [*states, *params], kinds)
    pairs = zip(found["vehicle_id"].tolist(), found["service_id"].tolist(), strict=True)
    return dict(zip(pairs, found["on_d"].tolist(), strict=True))


def planned_days() -> tuple[str, list[str]]:
    """SQL and parameters of the days that released orders fix, as days since 1970."""
    sql = f"""
        SELECT j.vehicle_id, v.depot_id, j.service_id, {bulk.day_number("o.planned_on")} AS on_d
        FROM workorders_job j JOIN workorders_workorder o ON o.id = j.order_id
        JOIN vehicles_vehicle v ON v.id = j.vehicle_id
        WHERE j.state = 'open' AND j.service_id IS NOT NULL AND v.status <> 'sold'
            AND o.planned_on IS NOT NULL AND o.state IN (%s, %s, %s)"""  # noqa: S608
    return sql, [str(state) for state in FIXED]


def _class(
    type_id: int,
    ids: IntArray,
    rows: dict[str, Array],
    planned: dict[tuple[int, int], int],
    meters: list[tuple[Meters, IntArray]],
    rules: Rules,
) -> Class:
    mine = np.isin(rows["vehicle_id"], ids) & np.isin(rows["service_id"], rules.service_id)
    unknown = mine & ~rows["known"]
    rows_known = {name: column[mine & rows["known"]] for name, column in rows.items()}
    (km, km_of), (hours, hours_of) = meters
    vehicle = np.searchsorted(ids, rows_known["vehicle_id"])
    return Class(
        type_id=type_id,
        vehicle_id=ids,
        km=km,
        km_of=km_of,
        hours=hours,
        hours_of=hours_of,
        vehicle=vehicle,
        service_id=rows_known["service_id"],
        services=_services(rows_known, km_of[vehicle], hours_of[vehicle], planned, rules),
        unknown=np.column_stack((rows["vehicle_id"][unknown], rows["service_id"][unknown])),
    )


def _services(
    rows: dict[str, Array],
    km_meter: IntArray,
    hours_meter: IntArray,
    planned: dict[tuple[int, int], int],
    rules: Rules,
) -> Services:
    pairs = zip(rows["vehicle_id"].tolist(), rows["service_id"].tolist(), strict=True)
    return Services(
        km_meter=km_meter,
        hours_meter=hours_meter,
        km_left=rows["km_left"],
        hours_left=rows["hours_left"],
        calendar_on=_days(rows["calendar_d"]),
        planned_on=_days(np.array([planned.get(pair, np.nan) for pair in pairs], dtype=float)),
        repeats=_repeats(rows, rules),
    )


def _days(number: FloatArray) -> Array:
    known = np.isfinite(number)
    return np.where(known, np.where(known, number, 0).astype("i8").astype("M8[D]"), NO_DAY)


def _repeats(rows: dict[str, Array], rules: Rules) -> Repeats:
    """By what each service falls due again: its present class, the repeat limit, its product."""
    service = np.searchsorted(rules.service_id, rows["service_id"])
    duty_class = np.array([CLASSES[one] for one in rows["duty_class"]], dtype=np.int64)
    repeat = np.full(len(service), REPEAT)
    limit = rules.limit_rows(service, duty_class, repeat, rows["product_id"])

    def figure(name: str) -> Array:
        return np.append(rules.figures[name], np.nan)[limit]

    return Repeats(
        km=figure("limit_km"),
        hours=figure("limit_h"),
        months=figure("limit_months"),
        yearly_month=figure("yearly_month"),
        yearly_day=figure("yearly_day"),
        early_d=np.floor(rules.early_share[service] * DAYS_PER_YEAR),
    )


def day_number(on: date) -> int:
    """Days since 1970."""
    return int(np.datetime64(on, "D").astype(np.int64))
