"""Everything the due dates of some vehicles rest on, as arrays: one row per vehicle and service."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, BoolArray, DateArray, FloatArray, IntArray
from fleet.calc.class_rates import Clock
from fleet.calc.stamps import stamp
from fleet.calc.usage import State
from fleet.due import calls, segments
from fleet.due.neighbours import neighbours
from fleet.due.rules import ANY_PRODUCT, FIRST, REPEAT, Depots, Rules
from fleet.due.segments import Segments
from fleet.usage import seasons
from fleet.usage.measure import STATE_COLUMNS
from fleet.vehicles.models import Meter

NO_METER = -1


@dataclass(frozen=True)
class Meters:
    """Usage of the meters of one kind, in order of vehicle."""

    id: IntArray  # (m,)
    stamp: IntArray  # (m,)
    clock: Clock | None  # of the seasons that their classes run on; None: calendar days count
    season: IntArray | None  # (m,) row in the clock, -1 for none
    provisional: BoolArray  # (m,) bool
    state: State  # (m,)


@dataclass(frozen=True)
class Rows:
    """One row (of r) per vehicle and service."""

    vehicle: IntArray  # row of the vehicle
    service: IntArray  # row of the service in the rules
    anchor_id: FloatArray  # service done that the limits count from; NaN: from in-service
    anchor_on: DateArray  # datetime64[D], NaT: history unknown
    anchor_km: FloatArray
    anchor_h: FloatArray
    occasion: IntArray
    called: BoolArray  # bool: something calls for it
    called_on: DateArray  # datetime64[D] that something calls for it by, NaT for none
    called_at_km: FloatArray  # total that something calls for it by, NaN for none
    product: IntArray  # product in the compartment since a full change, 0 for any
    provisional: BoolArray
    inputs_hash: IntArray


@dataclass(frozen=True)
class Chunk:
    """Vehicles, their meters and their rows."""

    vehicle_id: IntArray
    depot_id: IntArray
    utc_offset_d: FloatArray
    warranty_until_on: DateArray
    km: Meters
    hours: Meters
    km_of: IntArray  # vehicle row -> row in ``km``, -1 for none
    hours_of: IntArray
    rows: Rows
    segments: Segments


def gather(vehicle_ids: IntArray, rules: Rules, depots: Depots, today: date) -> Chunk:
    """Read a chunk of vehicles with what their due dates rest on."""
    vehicles = _vehicles(vehicle_ids)
    ids = vehicles["id"]
    (km, km_of), (hours, hours_of) = meters_of(ids)
    vehicle, service = _pairs(vehicles["type_id"], rules)
    anchors = _anchors(ids, vehicles, vehicle, service, rules)
    vehicles["utc_offset_d"] = utc_offsets(vehicles["depot_id"], depots.zone)
    totals = anchors["km"], anchors["on"], anchors["provisional"]
    anchors["km"] = _no_less_than_read(*totals, vehicle, vehicles, km, km_of)
    called = _calls(vehicles, vehicle, service, rules, depots, km, km_of)
    wanted = np.flatnonzero(~rules.on_call[service] | called["called"])
    vehicle, service = vehicle[wanted], service[wanted]
    anchors, called = (
        {name: column[wanted] for name, column in each.items()} for each in (anchors, called)
    )
    product = _products(ids, vehicle, service, rules, anchors["on"])
    found = segments.gather(ids, today)
    segment_stamp = found.stamp_of(ids[vehicle], rules.compartment_id[service])
    depot_stamp = np.array([depots.stamp[pk] for pk in vehicles["depot_id"].tolist()] or [0])
    rows = Rows(
        vehicle=vehicle,
        service=service,
        anchor_id=anchors["id"],
        anchor_on=anchors["on"],
        anchor_km=anchors["km"],
        anchor_h=anchors["h"],
        occasion=np.where(np.isnan(anchors["id"]), FIRST, REPEAT),
        called=called["called"],
        called_on=called["called_on"],
        called_at_km=called["called_at_km"],
        product=product,
        provisional=anchors["provisional"] | called["provisional"],
        inputs_hash=stamp(
            *(ids[vehicle], rules.stamp[service], vehicles["depot_id"][vehicle]),
            *(depot_stamp[vehicle], vehicles["warranty_until_on"][vehicle]),
            *(_stamp_of(km, km_of)[vehicle], _stamp_of(hours, hours_of)[vehicle]),
            *(segment_stamp, product, anchors["id"], anchors["on"], anchors["km"], anchors["h"]),
            *(called["called_on"], called["called_at_km"], called["provisional"].astype(np.int64)),
        ),
    )
    return Chunk(
        vehicle_id=ids,
        depot_id=vehicles["depot_id"],
        utc_offset_d=vehicles["utc_offset_d"],
        warranty_until_on=vehicles["warranty_until_on"],
        km=km,
        hours=hours,
        km_of=km_of,
        hours_of=hours_of,
        rows=rows,
        segments=found,
    )


def _vehicles(vehicle_ids: IntArray) -> dict[str, Array]:
    where, params = bulk.among("id", np.asarray(vehicle_ids, dtype=np.int64))
    sql = f"""
        SELECT id, vehicle_type_id, depot_id, CASE WHEN joined_as = 'new' THEN 1 ELSE 0 END,
            {bulk.day_number("in_service_on")}, in_service_km,
            {bulk.day_number("under_warranty_until_on")}
        FROM vehicles_vehicle WHERE {where} AND status <> 'sold' ORDER BY id"""  # noqa: S608
    kinds = {"id": "i8", "type_id": "i8", "depot_id": "i8", "joined_new": "?"}
    kinds |= {"in_service_d": "f8", "in_service_km": "f8", "warranty_d": "f8"}
    found = bulk.read(sql, params, kinds)
    found["in_service_on"] = dates(found.pop("in_service_d"))
    found["warranty_until_on"] = dates(found.pop("warranty_d"))
    return found


def dates(day_numbers: FloatArray) -> Array:
    """Days as datetime64[D] from their numbers since 1970, NaT for NaN."""
    known = np.isfinite(day_numbers)
    days = np.where(known, day_numbers, 0).astype(np.int64).astype("M8[D]")
    return np.where(known, days, np.datetime64("NaT", "D"))


def utc_offsets(depot_ids: IntArray, zones: Mapping[int, str]) -> Array:
    """Standard time of each vehicle's depot less UTC [d]; summer time moves no forecast."""
    winter = datetime(2001, 1, 1, tzinfo=ZoneInfo("UTC"))
    by_depot = {}
    for pk, zone in zones.items():
        offset = winter.astimezone(ZoneInfo(zone)).utcoffset()
        by_depot[pk] = offset.total_seconds() / 86_400 if offset is not None else 0.0
    return np.array([by_depot[pk] for pk in depot_ids.tolist()], dtype=np.float64)


def meters_of(vehicle_ids: IntArray) -> list[tuple[Meters, Array]]:
    """Distance meters and hour meters, each with its row by vehicle row."""
    return meters_in(states_of(vehicle_ids), vehicle_ids)


def states_of(vehicle_ids: IntArray) -> dict[str, Array]:
    """The usage states of some vehicles as they are stored, by vehicle."""
    where, params = bulk.among("s.vehicle_id", vehicle_ids)
    stored = ", ".join(f"s.{name}" for name in STATE_COLUMNS)
    sql = f"""
        SELECT s.meter_id, s.vehicle_id, m.kind, s.stamp, s.season_id, s.provisional, {stored}
        FROM usage_usagestate s JOIN vehicles_meter m ON m.id = s.meter_id
        WHERE {where} ORDER BY s.vehicle_id"""  # noqa: S608
    kinds = {"id": "i8", "vehicle_id": "i8", "kind": "O", "stamp": "i8", "season": "f8"}
    kinds |= {"provisional": "?"} | dict.fromkeys(STATE_COLUMNS, "f8")
    return bulk.read(sql, params, kinds)


def meters_in(states: dict[str, Array], vehicle_ids: IntArray) -> list[tuple[Meters, Array]]:
    """The same as ``meters_of``, of some of the vehicles whose states were read."""
    mine = np.isin(states["vehicle_id"], vehicle_ids)
    return [
        _of_kind(vehicle_ids, states, mine & (states["kind"] == kind))
        for kind in (Meter.Kind.KM, Meter.Kind.HOURS)
    ]


def _of_kind(vehicle_ids: IntArray, found: dict[str, Array], rows: Array) -> tuple[Meters, Array]:
    part = {name: column[rows] for name, column in found.items()}
    columns = {name: part[name] for name in STATE_COLUMNS}
    columns["readings"] = columns["readings"].astype(np.int64)
    state = State(**columns)
    clock, season = seasons.clock_rows(part["season"])
    meters = Meters(part["id"], part["stamp"], clock, season, part["provisional"], state)
    row_of = np.full(len(vehicle_ids), NO_METER)
    row_of[np.searchsorted(vehicle_ids, part["vehicle_id"])] = np.arange(len(part["id"]))
    return meters, row_of


def _stamp_of(meters: Meters, row_of: IntArray) -> Array:
    padded = np.append(meters.stamp, 0)  # the last one serves vehicles without such a meter
    return padded[row_of]


def _pairs(type_ids: IntArray, rules: Rules) -> tuple[Array, Array]:
    """Row of the vehicle and of the service, for every service of every vehicle."""
    none = np.empty(0, dtype=np.int64)
    vehicle, service = [none], [none]
    for type_id in np.unique(type_ids):
        services = rules.of_type.get(int(type_id), none)
        rows = np.flatnonzero(type_ids == type_id)
        vehicle.append(np.repeat(rows, len(services)))
        service.append(np.tile(services, len(rows)))
    return np.concatenate(vehicle), np.concatenate(service)


def _anchors(
    ids: IntArray,
    vehicles: dict[str, Array],
    vehicle: IntArray,
    service: IntArray,
    rules: Rules,
) -> dict[str, Array]:
    """The last time each service was done, or the start of use where there is none."""
    joined_new = vehicles["joined_new"][vehicle]
    in_service_km = np.where(joined_new, vehicles["in_service_km"][vehicle], np.nan)
    anchors = {
        "id": np.full(len(vehicle), np.nan),
        "on": np.where(joined_new, vehicles["in_service_on"][vehicle], np.datetime64("NaT", "D")),
        "km": np.nan_to_num(in_service_km, nan=0.0),
        "h": np.zeros(len(vehicle)),
        "provisional": np.zeros(len(vehicle), dtype=bool),
    }
    done = _services_done(ids)
    at, fits = _places(ids, vehicle, service, rules, done)
    # rows come oldest first: of several assignments to one place the newest stays
    anchors["id"][at] = done["id"][fits]
    anchors["on"][at] = dates(done["on_d"][fits])
    anchors["km"][at] = done["km"][fits]
    anchors["h"][at] = done["h"][fits]
    anchors["provisional"][at] = done["provisional"][fits]
    return anchors


def _no_less_than_read(
    total: FloatArray,
    on: DateArray,
    provisional: BoolArray,
    vehicle: IntArray,
    vehicles: dict[str, Array],
    km: Meters,
    km_of: IntArray,
) -> FloatArray:
    """Totals that limits count from. Until its reading is settled, one counts as no less than what
    had been read before its day: a digit lost at the finish must not make overdue what was done
    just now."""
    waits = np.flatnonzero(provisional & np.isfinite(total) & (km_of[vehicle] != NO_METER))
    if not len(waits):
        return total
    owner, result = vehicle[waits], total.copy()
    begin_d = on[waits].astype(np.float64) - vehicles["utc_offset_d"][owner]
    result[waits] = np.fmax(total[waits], neighbours(km.id[km_of[owner]], begin_d).before)
    return result


def _calls(
    vehicles: dict[str, Array],
    vehicle: IntArray,
    service: IntArray,
    rules: Rules,
    depots: Depots,
    km: Meters,
    km_of: IntArray,
) -> dict[str, Array]:
    """What calls for each service: the earliest day, and the lowest total.

    A vehicle whose usage is not known cannot be told a day for a distance: then it is the next
    working day.
    """
    result = {
        "called": np.zeros(len(vehicle), dtype=bool),
        "called_on": np.full(len(vehicle), np.datetime64("NaT", "D")),
        "called_at_km": np.full(len(vehicle), np.nan),
        "provisional": np.zeros(len(vehicle), dtype=bool),
    }
    found = _call_columns(calls.gather_calls(vehicles["id"]))
    place, fits = _places(vehicles["id"], vehicle, service, rules, found)
    found, owner = {name: column[fits] for name, column in found.items()}, vehicle[place]
    last_km = np.append(km.state.last_km, np.nan)[km_of[owner]]
    totals = found["from_km"], found["called_on"], found["provisional"]
    from_km = _no_less_than_read(*totals, owner, vehicles, km, km_of)
    at_km = found["after_km"] + np.where(np.isnan(from_km), last_km, from_km)
    at_km = np.where(np.isnan(last_km), np.nan, at_km)
    day_on = found["due_on"]
    for row in np.flatnonzero(np.isnan(last_km) & np.isnat(day_on)):
        working = depots.working[int(vehicles["depot_id"][owner[row]])].calendar()
        next_on = found["called_on"][row] + 1
        day_on[row] = np.busday_offset(next_on, 0, roll="forward", busdaycal=working)
    result["called"][place] = True
    np.logical_or.at(result["provisional"], place, found["provisional"])
    np.fmin.at(result["called_on"], place, day_on)
    np.fmin.at(result["called_at_km"], place, at_km)
    return result


def _call_columns(rows: Sequence[calls.Call]) -> dict[str, Array]:
    kinds = {"vehicle_id": "i8", "service_id": "i8", "called_on": "M8[D]", "due_on": "M8[D]"}
    kinds |= {"after_km": "f8", "from_km": "f8", "provisional": "?"}
    return {
        name: np.array([getattr(row, name) for row in rows], dtype=kind)
        for name, kind in kinds.items()
    }


def _places(
    ids: IntArray, vehicle: IntArray, service: IntArray, rules: Rules, found: dict[str, Array]
) -> tuple[Array, Array]:
    """Row of the vehicle and service of each found row, for those that have one; which have."""
    width = len(rules.service_id) + 1
    keys = vehicle * width + service
    order = np.argsort(keys)
    known = np.isin(found["service_id"], rules.service_id)
    wanted = np.searchsorted(ids, found["vehicle_id"]) * width
    wanted = wanted + np.searchsorted(rules.service_id, found["service_id"])
    at = np.minimum(np.searchsorted(keys[order], wanted), max(len(keys) - 1, 0))
    if not len(keys):
        return np.empty(0, dtype=np.int64), np.zeros(len(wanted), dtype=bool)
    fits = known & (keys[order][at] == wanted)
    return order[at[fits]], fits


def _services_done(ids: IntArray) -> dict[str, Array]:
    where, params = bulk.among("d.vehicle_id", ids)
    sql = f"""
        SELECT d.vehicle_id, d.service_id, d.id, {bulk.day_number("d.done_on")}, d.total_km,
            d.total_h, d.provisional
        FROM due_servicedone d WHERE {where} AND NOT d.void AND NOT EXISTS (
            SELECT 1 FROM due_servicedone n WHERE n.supersedes_id = d.id)
        ORDER BY d.vehicle_id, d.service_id, d.done_on, d.id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "service_id": "i8", "id": "f8", "on_d": "f8"}
    return bulk.read(sql, params, kinds | {"km": "f8", "h": "f8", "provisional": "?"})


def _products(
    ids: IntArray, vehicle: IntArray, service: IntArray, rules: Rules, anchor_on: DateArray
) -> Array:
    """Product that each compartment holds since a full change, where limits ask for it."""
    product = np.full(len(vehicle), ANY_PRODUCT)
    if not rules.product_specific:
        return product
    where, params = bulk.among("vehicle_id", ids)
    sql = f"""
        SELECT vehicle_id, compartment_id, COALESCE(product_id, 0), full_change,
            {bulk.day_number("filled_on")}
        FROM due_fill WHERE {where} ORDER BY filled_on, id"""  # noqa: S608
    kinds = {"vehicle_id": "i8", "compartment_id": "i8", "product_id": "i8", "full": "?"}
    fills = bulk.read(sql, params, kinds | {"on_d": "f8"})
    newest = {
        (owner, place): (what if full else ANY_PRODUCT, on)
        for owner, place, what, full, on in zip(*fills.values(), strict=True)
    }
    pairs = zip(ids[vehicle], rules.compartment_id[service], strict=True)
    for row, pair in enumerate(pairs):
        what, on = newest.get(pair, (ANY_PRODUCT, np.nan))
        if what and on >= anchor_on[row].astype(np.int64):
            product[row] = what
    return product
