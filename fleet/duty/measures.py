"""Monthly measures of use, vehicle by month, from usage sheets, totals and the depot's climate."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from fleet import bulk, reads
from fleet.calc.arrays import Array
from fleet.reads import Ids, Rows, prepared
from fleet.vehicles.models import ClimateMonth, Depot

# What a criterion can ask of a month: name -> what it is, with its unit.
MEASURES = {
    "declared": "1 where the vehicle's declared use names the criterion",
    "trips": "trips",
    "share_of_trips_under_8_km": "0 to 1",
    "share_of_trips_under_16_km": "0 to 1",
    "stops_per_10_km": "mean",
    "mean_speed_km_per_h": "km/h",
    "km": "km",
    "engine_h": "h",
    "idle_h": "h",
    "idle_share": "of engine hours, 0 to 1",
    "km_per_engine_h": "km/h",
    "unpaved_share": "of km, 0 to 1",
    "loaded_share": "of km, 0 to 1",
    "mean_daily_max_c": "°C at the depot",
    "mean_daily_min_c": "°C at the depot",
    "hilly_depot": "1 where the depot is hilly",
}

COLUMNS = (  # of a usage sheet, read as they are named there
    "trips",
    "trips_under_8_km",
    "trips_under_16_km",
    "stops_per_10_km",
    "mean_speed_km_per_h",
    "engine_h",
    "idle_h",
    "unpaved_share",
    "loaded_share",
)


def gather(vehicle_ids: Array, depot_ids: Array, months: Array) -> dict[str, Array]:
    """Every measure that a criterion can name; NaN where nobody measured.

    Parameters
    ----------
    vehicle_ids
        Sorted ids, shape (n,).
    depot_ids
        Depot of each vehicle where no stay says otherwise, shape (n,).
    months
        Successive months, ``datetime64[M]``, shape (m,).

    Returns
    -------
    dict
        Name to array (n, m): km [km], engine_h [h], temperatures [°C], shares [-].
    """
    tables = _sheets(vehicle_ids, months)
    tables["km"] = _month_km(vehicle_ids, months)
    with np.errstate(divide="ignore", invalid="ignore"):
        for short in ("trips_under_8_km", "trips_under_16_km"):
            tables[f"share_of_{short}"] = _share(tables.pop(short), tables["trips"])
        tables["idle_share"] = _share(tables["idle_h"], tables["engine_h"])
        tables["km_per_engine_h"] = _share(tables["km"], tables["engine_h"])
    return tables | _of_the_depot(_depot_by_month(vehicle_ids, depot_ids, months), months)


def _share(part: Array, whole: Array) -> Array:
    return np.where(whole > 0, part / whole, np.nan)


def _sheets(vehicle_ids: Array, months: Array) -> dict[str, Array]:
    where, params = bulk.among("vehicle_id", vehicle_ids)
    sql = f"""
        SELECT vehicle_id, {bulk.day_number("month_on")}, {", ".join(COLUMNS)}
        FROM readings_usagesheet WHERE {where} AND month_on >= %s AND month_on <= %s"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "on": "i8"} | dict.fromkeys(COLUMNS, "f8")
    found = bulk.read(sql, params + _span(months), kinds)
    return {
        name: _spread(found["vehicle_id"], found["on"], found[name], vehicle_ids, months)
        for name in COLUMNS
    }


def _span(months: Array) -> list[Any]:
    days = months.astype("M8[D]")
    return [days[0].item(), days[-1].item()]


def _spread(owner: Array, on_d: Array, values: Array, vehicle_ids: Array, months: Array) -> Array:
    table = np.full((len(vehicle_ids), len(months)), np.nan)
    column = on_d.astype("M8[D]").astype("M8[M]") - months[0]
    table[np.searchsorted(vehicle_ids, owner), column.astype(np.int64)] = values
    return table


def _month_km(vehicle_ids: Array, months: Array) -> Array:
    where, params = bulk.among("m.vehicle_id", vehicle_ids)
    edges = np.append(months, months[-1] + 1)
    sql = f"""
        SELECT m.vehicle_id, {bulk.day_number('k."on"')}, k.total FROM usage_kmat k
        JOIN vehicles_meter m ON m.id = k.meter_id AND m.kind = 'km'
        WHERE {where} AND k."on" >= %s AND k."on" <= %s"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "on": "i8", "total": "f8"}
    found = bulk.read(sql, params + _span(edges), kinds)
    totals = _spread(found["vehicle_id"], found["on"], found["total"], vehicle_ids, edges)
    return np.maximum(np.diff(totals, axis=1), 0.0)


def _depot_by_month(vehicle_ids: Array, depot_ids: Array, months: Array) -> Array:
    """Depot of each vehicle at the middle of each month, shape (n, m)."""
    where, params = bulk.among("vehicle_id", vehicle_ids)
    sql = f"""
        SELECT vehicle_id, depot_id, {bulk.day_number("from_on")} FROM vehicles_depotstay
        WHERE {where} ORDER BY vehicle_id, from_on"""  # noqa: S608
    stays = bulk.read(sql, params, {"vehicle_id": "i8", "depot_id": "i8", "from_d": "i8"})
    depots = np.repeat(depot_ids[:, None], len(months), axis=1)
    if not len(stays["vehicle_id"]):
        return depots
    owners, first = np.unique(stays["vehicle_id"], return_index=True)
    rows = np.searchsorted(vehicle_ids, owners)
    depots[rows] = stays["depot_id"][first][:, None]  # before its first stay: the same depot
    middle_d = months.astype("M8[D]").astype(np.int64) + 14
    for stay in np.setdiff1d(np.arange(len(stays["from_d"])), first):
        row = np.searchsorted(vehicle_ids, stays["vehicle_id"][stay])
        depots[row, middle_d >= stays["from_d"][stay]] = stays["depot_id"][stay]
    return depots


def _of_the_depot(depots: Array, months: Array) -> dict[str, Array]:
    known, place = np.unique(depots, return_inverse=True)
    place = place.reshape(depots.shape)
    column = np.arange(len(months))[None, :]
    depots_known, years = _hilly(known.tolist()), _years(known.tolist())
    reads.together(depots_known, years)
    (warm, cold), hilly = _climate(known, months, years), dict(depots_known)
    marked = np.array([float(hilly[pk]) for pk in known.tolist()])
    return {
        "mean_daily_max_c": warm[place, column],
        "mean_daily_min_c": cold[place, column],
        "hilly_depot": marked[place],
    }


@prepared
def _hilly(depot_ids: Ids) -> Rows:
    return Depot.objects.filter(pk__in=depot_ids).values_list("pk", "hilly")


@prepared
def _years(depot_ids: Ids) -> Rows:
    return ClimateMonth.objects.filter(depot__in=depot_ids).order_by("year")


def _climate(depots: Array, months: Array, rows: Iterable[ClimateMonth]) -> tuple[Array, Array]:
    """Mean daily maximum and minimum [°C], depot by month; a year's own row goes first."""
    warm, cold = (np.full((len(depots), len(months)), np.nan) for _ in range(2))
    year = months.astype("M8[Y]").astype(np.int64) + 1970
    month = months.astype(np.int64) % 12 + 1
    place = {pk: row for row, pk in enumerate(depots.tolist())}
    for row in rows:  # year 0 (every year) comes first and is overwritten
        where = (month == row.month) & ((row.year == 0) | (year == row.year))
        warm[place[row.depot_id], where] = row.mean_daily_max_c
        cold[place[row.depot_id], where] = row.mean_daily_min_c
    return warm, cold
