"""What service history claims about the odometer, held against what was read."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from fleet import bulk
from fleet.calc.arrays import BoolArray, DateArray, FloatArray, IntArray
from fleet.due.doubt import HOURS_PER_DAY, Claims, Doubt, doubts
from fleet.due.gather import dates, utc_offsets
from fleet.due.models import ServiceDone
from fleet.faults import Question
from fleet.vehicles.models import Depot, Meter, Vehicle

KINDS = (Meter.Kind.KM, Meter.Kind.HOURS)
ABOUT = {Meter.Kind.KM: "odometer_km", Meter.Kind.HOURS: "total_h"}
VEHICLES_AT_ONCE = 3_000


@dataclass(frozen=True)
class Facts:
    """What is known of vehicles besides readings: v of them."""

    vehicle_id: IntArray  # (v,) -1 for a vehicle that is not in the fleet yet
    utc_offset_d: FloatArray  # (v,) of the depot
    off_road: BoolArray  # (v,) bool
    began_on: DateArray  # (v,) datetime64[D] start of use, NaT for none
    began_km: FloatArray  # (v,)
    joined_on: DateArray  # (v,) datetime64[D]
    joined_km: FloatArray  # (v,) total on that day, NaN for none
    most_km_per_day: FloatArray  # (v,) of the vehicle type
    usual_km_per_day: FloatArray  # (v,)
    usual_h_per_day: FloatArray  # (v,) NaN: the type has no hour meter


@dataclass(frozen=True)
class History:
    """Rows of service history that stand: n of them."""

    id: IntArray  # (n,)
    vehicle: IntArray  # (n,) row of the vehicle in the facts
    on: DateArray  # (n,) datetime64[D]
    total: dict[str, FloatArray]  # kind of meter -> (n,) [km or h], NaN for none
    kept: BoolArray  # (n,) bool: somebody said why the total stands


def claims_of(
    facts: Facts, vehicle: IntArray, on: DateArray, total: FloatArray, kind: str
) -> Claims:
    """Totals of one kind of meter with what is known of their vehicles.

    Parameters
    ----------
    vehicle
        Row of the vehicle of each claim in the facts, shape (n,).
    on, total
        Day (datetime64[D]) and total [km or h], shape (n,).
    """
    began_km, joined_km = facts.began_km, facts.joined_km
    most, usual = facts.most_km_per_day, facts.usual_km_per_day
    if kind == Meter.Kind.HOURS:
        began_km = np.where(np.isfinite(facts.usual_h_per_day), 0.0, np.nan)
        joined_km = np.full(len(began_km), np.nan)
        most, usual = np.full(len(began_km), HOURS_PER_DAY), facts.usual_h_per_day
    return Claims(
        vehicle_id=facts.vehicle_id[vehicle],
        vehicle=vehicle,
        on=on,
        total=total,
        utc_offset_d=facts.utc_offset_d[vehicle],
        off_road=facts.off_road[vehicle],
        began_on=facts.began_on[vehicle],
        began_km=began_km[vehicle],
        joined_on=facts.joined_on[vehicle],
        joined_km=joined_km[vehicle],
        most_per_day=most[vehicle],
        usual_per_day=usual[vehicle],
    )


def ask(vehicle: Vehicle, done_on: date, total_km: float | None, total_h: float | None) -> None:
    """Ask back about totals that the readings contradict.

    Raises
    ------
    Question
        A total cannot have stood on that day, or hardly.
    """
    totals = {Meter.Kind.KM: [total_km], Meter.Kind.HOURS: [total_h]}
    for question in asked([vehicle.pk], [done_on], totals).values():
        raise question


def asked_of(rows: Sequence[ServiceDone]) -> dict[int, Question]:
    """Questions about the totals of services done, not saved yet, by place of the row; none about
    one that says why its total stands."""
    said = [at for at, row in enumerate(rows) if not row.why_it_stands]
    if not said:
        return {}
    found = asked(
        [rows[at].vehicle_id for at in said],
        [rows[at].done_on for at in said],
        {
            Meter.Kind.KM: [rows[at].total_km for at in said],
            Meter.Kind.HOURS: [rows[at].total_h for at in said],
        },
    )
    return {said[place]: question for place, question in found.items()}


def asked(
    vehicle_ids: Sequence[int],
    done_on: Sequence[date],
    totals: Mapping[Meter.Kind, Sequence[float | None]],
) -> dict[int, Question]:
    """Questions about totals that the readings, or each other, contradict; of many at once.

    Parameters
    ----------
    vehicle_ids, done_on
        Vehicle and day of each of n totals.
    totals
        By kind of meter, n totals each [km or h]; None where nothing was said.

    Returns
    -------
    dict
        Place of a total to the question about it; distance goes before hours.
    """
    facts, history = _gathered(np.unique(np.asarray(vehicle_ids, dtype=np.int64)))
    found: dict[int, Question] = {}
    for kind in KINDS:
        new = [at for at, total in enumerate(totals[kind]) if total is not None]
        if not new:
            continue
        known = np.isfinite(history.total[kind])
        owners = np.array([vehicle_ids[at] for at in new], dtype=np.int64)
        vehicle = np.append(history.vehicle[known], np.searchsorted(facts.vehicle_id, owners))
        on = np.append(history.on[known], np.array([done_on[at] for at in new], dtype="M8[D]"))
        given = np.array([totals[kind][at] for at in new], dtype=np.float64)
        total = np.append(history.total[kind][known], given)
        for one in doubts(claims_of(facts, vehicle, on, total, kind), kind):
            at = one.at - int(known.sum())
            if at >= 0:
                question = Question(f"{one.text}. Is it right?", one.meant, about=ABOUT[kind])
                found.setdefault(new[at], question)
    return found


def contradicting() -> Iterator[str]:
    """Rows of the whole fleet that the readings contradict, a sentence for each."""
    ids = np.array(Vehicle.objects.order_by("pk").values_list("pk", flat=True), dtype=np.int64)
    for begin in range(0, len(ids), VEHICLES_AT_ONCE):
        facts, history = _gathered(ids[begin : begin + VEHICLES_AT_ONCE])
        for kind in KINDS:
            yield from _named(history, _doubted(facts, history, kind))


def _doubted(facts: Facts, history: History, kind: str) -> dict[int, Doubt]:
    rows = np.flatnonzero(np.isfinite(history.total[kind]))
    total = history.total[kind][rows]
    claims = claims_of(facts, history.vehicle[rows], history.on[rows], total, kind)
    found = {int(rows[one.at]): one for one in doubts(claims, kind) if one.sure}
    return {row: one for row, one in found.items() if not history.kept[row]}


def _named(history: History, found: dict[int, Doubt]) -> Iterator[str]:
    ids = {row: int(history.id[row]) for row in found}
    stored = ServiceDone.objects.select_related("vehicle", "service").in_bulk(list(ids.values()))
    for row, one in found.items():
        meant = f" ({'; '.join(one.meant)})" if one.meant else ""
        done = stored[ids[row]]
        yield f"{done.vehicle}, {done.service.slug}: {one.text}{meant}."


# --- gather ------------------------------------------------------------------------------------
def _gathered(vehicle_ids: IntArray) -> tuple[Facts, History]:
    where, params = bulk.among("v.id", vehicle_ids)
    facts = _facts(where, params)
    sql = f"""
        SELECT d.id, d.vehicle_id, {bulk.day_number("d.done_on")}, d.total_km, d.total_h,
            CASE WHEN d.why_it_stands <> '' THEN 1 ELSE 0 END
        FROM due_servicedone d JOIN vehicles_vehicle v ON v.id = d.vehicle_id
        LEFT JOIN due_servicedone n ON n.supersedes_id = d.id
        WHERE {where} AND n.id IS NULL AND NOT d.void AND NOT d.provisional
        ORDER BY d.vehicle_id, d.id"""  # noqa: S608
    kinds = {"id": "i8", "vehicle_id": "i8", "on_d": "i8", "km": "f8", "h": "f8", "kept": "?"}
    rows = bulk.read(sql, params, kinds)
    return facts, History(
        id=rows["id"],
        vehicle=np.searchsorted(facts.vehicle_id, rows["vehicle_id"]),
        on=rows["on_d"].astype("M8[D]"),
        total={Meter.Kind.KM: rows["km"], Meter.Kind.HOURS: rows["h"]},
        kept=rows["kept"],
    )


def _facts(where: str, params: list[Any]) -> Facts:
    joined = bulk.as_instant(f"{bulk.day_number('v.joined_on')} + 1")
    sql = f"""
        SELECT v.id, v.depot_id, CASE WHEN v.status = 'off road' THEN 1 ELSE 0 END,
            {bulk.day_number("v.in_service_on")}, COALESCE(v.in_service_km, 0),
            {bulk.day_number("v.joined_on")},
            v.meter_at_joining_km + COALESCE((SELECT c."offset" FROM vehicles_meterchange c
                JOIN vehicles_meter m ON m.id = c.meter_id AND m.kind = 'km'
                WHERE m.vehicle_id = v.id AND c.from_at < {joined}
                ORDER BY c.from_at DESC LIMIT 1), 0),
            t.top_km_per_day, t.expected_km_per_day, t.expected_h_per_day
        FROM vehicles_vehicle v JOIN vehicles_vehicletype t ON t.id = v.vehicle_type_id
        WHERE {where} ORDER BY v.id"""  # noqa: S608
    names = ("began_d", "began_km", "joined_d", "joined_km", "most", "usual", "usual_h")
    kinds = {"id": "i8", "depot_id": "i8", "off_road": "?"}
    found = bulk.read(sql, params, kinds | dict.fromkeys(names, "f8"))
    zones = Depot.objects.values_list("pk", "zone")
    return Facts(
        vehicle_id=found["id"],
        utc_offset_d=utc_offsets(found["depot_id"], dict(zones)),
        off_road=found["off_road"],
        began_on=dates(found["began_d"]),
        began_km=found["began_km"],
        joined_on=dates(found["joined_d"]),
        joined_km=found["joined_km"],
        most_km_per_day=found["most"],
        usual_km_per_day=found["usual"],
        usual_h_per_day=found["usual_h"],
    )
