"""What each vehicle brings into the weeks ahead, worked out anew only where it changed.

A vehicle's part is kept as levels of its due dates. The sums of a depot and type are changed by
taking away what a vehicle brought and adding what it brings; they are whole numbers, so they come
out as if all had been added up from the beginning.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, FloatArray, IntArray
from fleet.calc.common_factor import RHO_STEP, USUAL_SIGMA, correlation
from fleet.calc.demand import levels_before
from fleet.calc.level_paths import moments_ahead
from fleet.calc.weeks_ahead import Runs, sums
from fleet.consumables.ahead import Calendar, Ways
from fleet.consumables.gather import Gathered, gather_vehicles, planned_days
from fleet.due.late import late_rows, not_late
from fleet.due.rules import Rules
from fleet.due.stamps import PARTS_OF_A_HASH
from fleet.overview.models import VehicleAhead

DAYS = 7  # of a week
MARGIN_D = 28  # beyond these weeks, that an earliest likely day may lie and count; our choice
VEHICLES_AT_ONCE = 500  # their levels stay within some tens of megabytes; our choice
PARTS_AT_ONCE = 200  # their figures stay in the cache of a processor; our choice
Sums = dict[int, IntArray]  # by vehicle type: see ``calc.weeks_ahead.sums``


@dataclass(frozen=True)
class Ground:
    """What the weeks of a depot rest on beside its vehicles."""

    today: date
    calendar: Calendar
    minutes: dict[int, int]  # by service; one that is not in it is not counted
    sigma: dict[int, float]  # by vehicle type
    utc_offset_d: float
    rules: Rules

    @property
    def last_on(self) -> date:
        """What has a later earliest likely day is not counted."""
        days = float(self.calendar.edges_d[-1]) - self.calendar.today_d
        return self.today + timedelta(days=days + MARGIN_D)


@dataclass(frozen=True)
class Part:
    """What one vehicle brings: see ``calc.weeks_ahead.Runs``."""

    depot_id: int
    vehicle_id: int
    type_id: int
    rho: list[int]
    before: dict[int, list[int]]  # by service


@dataclass(frozen=True)
class Changed:
    """Vehicles of some depots whose part is not what is kept, and the stamp of what it is now."""

    depot_id: IntArray
    vehicle_id: IntArray
    inputs: IntArray  # 0: it brings nothing

    def take(self, rows: slice | Array) -> "Changed":
        """Some of them."""
        return Changed(self.depot_id[rows], self.vehicle_id[rows], self.inputs[rows])

    def at(self, depot_ids: Sequence[int]) -> "Changed":
        """Those of some depots."""
        return self.take(np.isin(self.depot_id, depot_ids))


# --- gather ------------------------------------------------------------------------------
def changed(ground_of: Mapping[int, Ground], anew: Sequence[int]) -> Changed:
    """By vehicle; of depots to be worked out ``anew`` all that have due dates or planned days.

    What is late is taken from the number of all dates of a vehicle. That of what falls due beyond
    these weeks is in it, too: on the days of one week it stays beyond, and where it changes, mostly
    all dates of the vehicle do.
    """
    if not ground_of:
        return Changed(*np.empty((3, 0), dtype=np.int64))
    today = next(iter(ground_of.values())).today
    late, params = late_rows(today)
    planned, states = planned_days()
    (here, depots), (there, _) = (
        bulk.among(name, np.array(sorted(ground_of))) for name in ("depot_id", "kept_at")
    )
    fresh, fresh_depots = "1 = 0", list[Any]()
    if anew:
        fresh, fresh_depots = bulk.among("v.depot_id", np.array(sorted(anew)))
    dates = "COALESCE(s.dates, 0) - COALESCE(l.hash, 0) + COALESCE(p.hash, 0)"
    sql = f"""
        WITH late_rows AS MATERIALIZED ({late}),
        late (vehicle_id, hash) AS (
            SELECT vehicle_id, CAST(SUM(inputs_hash / {PARTS_OF_A_HASH}) AS BIGINT)
            FROM late_rows GROUP BY vehicle_id),
        planned (vehicle_id, hash) AS (
            SELECT vehicle_id, CAST(SUM(service_id * (on_d * 65537 + 1)) AS BIGINT)
            FROM ({planned}) p GROUP BY vehicle_id)
        SELECT vehicle_id, depot_id, now, kept_at FROM (
            SELECT v.id AS vehicle_id, v.depot_id, a.depot_id AS kept_at, a.inputs AS kept,
                CASE WHEN v.status = 'sold' THEN 0 ELSE {dates} END AS now, {fresh} AS fresh
            FROM vehicles_vehicle v
            LEFT JOIN due_duestamp s ON s.vehicle_id = v.id
            LEFT JOIN late l ON l.vehicle_id = v.id
            LEFT JOIN planned p ON p.vehicle_id = v.id
            LEFT JOIN overview_vehicleahead a ON a.vehicle_id = v.id) each_of_them
        WHERE (now <> COALESCE(kept, 0) OR kept_at <> depot_id
            OR fresh AND now <> 0) AND ({here} OR {there})
        ORDER BY vehicle_id"""  # noqa: S608
    given = [*params, *states, *fresh_depots, *depots, *depots]
    kinds = dict.fromkeys(("vehicle_id", "depot_id", "inputs"), "i8") | {"kept_at": "f8"}
    found = bulk.read(sql, given, kinds)
    own = np.unique(found["vehicle_id"], return_index=True)[1]
    gone = np.flatnonzero(np.isfinite(found["kept_at"]) & (found["kept_at"] != found["depot_id"]))
    now = Changed(
        np.concatenate([found["depot_id"][own], found["kept_at"][gone].astype(np.int64)]),
        np.concatenate([found["vehicle_id"][own], found["vehicle_id"][gone]]),
        np.concatenate([found["inputs"][own], np.zeros(len(gone), dtype=np.int64)]),
    )
    return now.at(sorted(ground_of))


def _wanted(ground: Ground) -> tuple[str, list[date]]:
    """A condition in SQL, and its parameters: due dates ``d`` of vehicles ``v`` that may well fall
    in these weeks and are not late; those of a later earliest likely day will not, and leaving
    them out saves most of the work."""
    waits, days = not_late(ground.today)
    rounds = "SELECT id FROM due_service WHERE is_round"
    wanted = f"{waits} AND d.p10 <= %s AND d.service_id NOT IN ({rounds})"
    # by no index of depots (+), which SQLite would walk through for each vehicle
    return f"{wanted} AND +d.depot_id = v.depot_id", [*days, ground.last_on]


def kept_parts(now: Changed) -> list[Part]:
    """What vehicles brought when it was last worked out."""
    pairs = set(zip(now.depot_id.tolist(), now.vehicle_id.tolist(), strict=True))
    found = _parts(*bulk.among("vehicle_id", now.vehicle_id))
    return [part for part in found if (part.depot_id, part.vehicle_id) in pairs]


def parts_at(depot_id: int) -> list[Part]:
    """What all vehicles of a depot brought when it was last worked out."""
    return list(_parts("depot_id = %s", [depot_id]))


def _parts(where: str, params: Sequence[Any]) -> Iterator[Part]:
    sql = f"""
        SELECT depot_id, vehicle_id, part FROM overview_vehicleahead
        WHERE {where} ORDER BY vehicle_id"""  # noqa: S608
    found = bulk.read(sql, params, {"depot_id": "i8", "vehicle_id": "i8", "part": "O"})
    told = zip(*(column.tolist() for column in found.values()), strict=True)
    for depot_id, vehicle_id, text in told:
        if part := json.loads(text):
            before = _by_service(part["before"])
            yield Part(depot_id, vehicle_id, part["type"], part["rho"], before)


def _by_service(before: dict[str, list[int]]) -> dict[int, list[int]]:
    return {int(pk): levels for pk, levels in before.items()}


# --- compute -----------------------------------------------------------------------------
def parts_of(ground_of: Mapping[int, Ground], now: Changed) -> Iterator[Part]:
    """Work out what some vehicles bring."""
    for begin in range(0, len(now.vehicle_id), VEHICLES_AT_ONCE):
        some = now.take(slice(begin, begin + VEHICLES_AT_ONCE))
        depot_ids, ids = np.unique(some.depot_id), np.unique(some.vehicle_id)
        pairs = set(zip(some.depot_id.tolist(), some.vehicle_id.tolist(), strict=True))
        ground = ground_of[int(depot_ids[0])]
        read = gather_vehicles(ids, ground.rules, *_wanted(ground))  # others bring nothing
        for depots in _of_one_clock(ground_of, depot_ids.tolist()):
            # of others: they were there, and are no more
            mine = np.flatnonzero(np.isin(read.depot_id, depots))
            if mine.size:
                found = _some(read, mine, ground_of)
                yield from (one for one in found if (one.depot_id, one.vehicle_id) in pairs)


def _of_one_clock(ground_of: Mapping[int, Ground], depot_ids: list[int]) -> list[list[int]]:
    """Depots whose vehicles can be followed together, of whatever type they are."""
    found: dict[float, list[int]] = defaultdict(list)
    for pk in depot_ids:
        found[ground_of[pk].utc_offset_d].append(pk)
    return list(found.values())


def _some(read: Gathered, mine: IntArray, ground_of: Mapping[int, Ground]) -> Iterator[Part]:
    group, depots, types = read.some(read.vehicle_id[mine]), read.depot_id[mine], read.type_id[mine]
    ground = ground_of[int(depots[0])]
    calendar = ground.calendar
    ways = Ways.of(group, calendar, ground.utc_offset_d, ground.rules.widening, least_d=0.0)
    metered = np.flatnonzero(group.km_of >= 0)
    sigma = np.full(len(ways.km.start_d), USUAL_SIGMA)
    sigma[group.km_of[metered]] = [
        ground_of[depot_id].sigma.get(type_id, USUAL_SIGMA)
        for depot_id, type_id in zip(depots[metered].tolist(), types[metered].tolist(), strict=True)
    ]
    rho = np.zeros((len(mine), len(calendar.months)), dtype=np.int64)
    rho[metered] = _rho(ways, calendar, sigma)[group.km_of[metered]]
    given = group.services, ways.km, ways.hours, calendar.today_d, calendar.edges_d
    before = levels_before(*given)
    found: dict[int, dict[int, list[int]]] = defaultdict(dict)
    counted = zip(group.vehicle.tolist(), group.service_id.tolist(), strict=True)
    for (vehicle, service_id), levels in zip(counted, before.tolist(), strict=True):
        if levels[-1]:
            found[vehicle][service_id] = levels
    for vehicle, services in sorted(found.items()):
        place = int(depots[vehicle]), int(group.vehicle_id[vehicle]), int(types[vehicle])
        yield Part(*place, rho[vehicle].tolist(), services)


def _rho(ways: Ways, calendar: Calendar, sigma: FloatArray) -> IntArray:
    """Correlation of each meter's distance with what its class shares, in the middle of each week,
    in steps; of the first one as if it were whole, so that nothing moves from day to day."""
    middle_d = calendar.edges_d - DAYS / 2
    ahead_d = np.maximum(middle_d - ways.km.start_d[:, None], 0.5)
    rho = correlation(sigma[:, None], *moments_ahead(ways.law, ahead_d))
    return np.asarray(np.rint(rho / RHO_STEP), dtype=np.int64)


def runs_of(parts: Sequence[Part], minutes: dict[int, int]) -> Runs:
    """The same as arrays."""
    rows = [
        (at, minutes[service_id], levels)
        for at, part in enumerate(parts)
        for service_id, levels in part.before.items()
    ]
    weeks = len(parts[0].rho)
    return Runs(
        vehicle=np.array([row[0] for row in rows], dtype=np.int64),
        minutes=np.array([row[1] for row in rows], dtype=np.int64),
        before=np.array([row[2] for row in rows], dtype=np.int64).reshape(-1, weeks),
        rho=np.array([part.rho for part in parts], dtype=np.int64),
    )


def by_type(parts: Iterable[Part]) -> dict[int, list[Part]]:
    """Parts of each vehicle type."""
    found: dict[int, list[Part]] = defaultdict(list)
    for part in parts:
        found[part.type_id].append(part)
    return found


def add(
    totals: Mapping[int, Sums],
    parts: Sequence[Part],
    minutes: dict[int, int],
    gone: Sequence[Part] = (),
) -> None:
    """Add what some vehicles bring to the sums of their depots, and take away what is gone."""
    signed = [*((one, 1) for one in parts), *((one, -1) for one in gone)]
    for begin in range(0, len(signed), PARTS_AT_ONCE):
        some = signed[begin : begin + PARTS_AT_ONCE]
        kinds = [(sign, one.depot_id, one.type_id) for one, sign in some]
        place = {kind: at for at, kind in enumerate(sorted(set(kinds)))}
        group = np.array([place[kind] for kind in kinds], dtype=np.int64)
        found = sums(runs_of([one for one, _ in some], minutes), group, len(place))
        for (sign, depot_id, type_id), own in zip(place, found, strict=True):
            present = totals[depot_id].get(type_id, 0)
            totals[depot_id][type_id] = present + sign * own


# --- record ------------------------------------------------------------------------------
def record(now: Changed, parts: Sequence[Part]) -> None:
    """Keep what some vehicles bring; call it in the transaction of their depots' sums."""
    part_of = {(part.depot_id, part.vehicle_id): part for part in parts}
    pairs = list(zip(now.depot_id.tolist(), now.vehicle_id.tolist(), strict=True))
    stays = np.array([pair in part_of for pair in pairs], dtype=bool) | (now.inputs != 0)
    _forget(now.take(~stays))
    told = [json.dumps(_told(part_of.get(pairs[at]))) for at in np.flatnonzero(stays)]
    if told:
        kept = now.take(stays)
        columns = {
            "vehicle_id": kept.vehicle_id,
            "depot_id": kept.depot_id,
            "inputs": kept.inputs,
            "part": np.array(told, dtype=object),
        }
        bulk.upsert(VehicleAhead, columns, ["vehicle_id", "depot_id"])


def _forget(gone: Changed) -> None:
    for depot_id in np.unique(gone.depot_id).tolist():
        where, ids = bulk.among("vehicle_id", gone.at([depot_id]).vehicle_id)
        VehicleAhead.objects.filter(depot=depot_id).extra(where=[where], params=ids).delete()  # noqa: S610


def _told(part: Part | None) -> dict[str, Any]:
    if part is None:
        return {}
    return {"type": part.type_id, "rho": part.rho, "before": part.before}
