"""Class rates: what a vehicle type usually runs at a depot, one row per class and month end.

A row is written once, from what was known then, and never changed: a due date must not move
because a class was looked at again. A meter starts with the newest row before its first reading.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
from django.db.models import Min

from fleet import bulk
from fleet.calc import class_rates, usage
from fleet.calc.arrays import Array
from fleet.calc.class_rates import ClassRates
from fleet.calc.usage import Events, State
from fleet.readings import scratch
from fleet.readings.models import EarlierMemory, Reading
from fleet.runs.models import Run
from fleet.usage import earlier
from fleet.usage.models import ClassRate, EarlierState, UsageState
from fleet.vehicles.models import Meter

JOB = "class rates"
KM_PER_HOUR = 30.0  # stands in where a type states no hours per day; our choice
LEAST_PER_DAY = {
    Meter.Kind.KM: class_rates.LEAST_KM_PER_DAY,
    Meter.Kind.HOURS: class_rates.LEAST_H_PER_DAY,
}


# --- start of a meter ----------------------------------------------------------------------
def start_rates(meter_ids: Array, first_at_d: Array) -> tuple[Array, Array]:
    """Rate [km or h per day] and spread that meters start with, as known before they did.

    Parameters
    ----------
    meter_ids, first_at_d
        Meters and their first readings [days since 1970-01-01 UTC], shape (n,).
    """
    meters = _gather_classes(meter_ids)
    rate = meters["expected"].copy()
    spread = np.full(len(rate), class_rates.UNKNOWN_SPREAD)
    for kind in Meter.Kind.values:
        rows = np.flatnonzero(meters["kind"] == kind)
        if len(rows):
            _use_newest(kind, rows, np.floor(first_at_d[rows]), meters, rate, spread)
    return rate, spread


def _gather_classes(meter_ids: Array) -> dict[str, Array]:
    where, params = bulk.among("m.id", np.asarray(meter_ids, dtype=np.int64))
    sql = f"""
        SELECT m.id, m.kind, v.vehicle_type_id, v.depot_id, CASE WHEN m.kind = 'km'
            THEN t.expected_km_per_day
            ELSE COALESCE(t.expected_h_per_day, t.expected_km_per_day / {KM_PER_HOUR}) END
        FROM vehicles_meter m JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        JOIN vehicles_vehicletype t ON t.id = v.vehicle_type_id
        WHERE {where} ORDER BY m.id"""  # noqa: S608
    kinds = {"id": "i8", "kind": "O", "type": "i8", "depot": "i8", "expected": "f8"}
    found = bulk.read(sql, params, kinds)
    place = np.searchsorted(found["id"], meter_ids)
    return {name: column[place] for name, column in found.items()}


def _use_newest(
    kind: str,
    rows: Array,
    first_day: Array,
    meters: dict[str, Array],
    rate: Array,
    spread: Array,
) -> None:
    stored = _gather_rates(kind)
    months = np.unique(stored["month_end_d"])
    newest = np.searchsorted(months, first_day) - 1
    for month in np.unique(newest[newest >= 0]):
        here = rows[newest == month]
        table = _table(stored, stored["month_end_d"] == months[month])
        found = class_rates.rate_for(table, meters["type"][here], meters["depot"][here])
        known = found >= 0
        rate[here[known]] = table.rate[found[known]]
        spread[here[known]] = table.spread[found[known]]


def _gather_rates(kind: str) -> dict[str, Array]:
    sql = f"""
        SELECT {bulk.day_number("month_end_on")}, type_pk, depot_pk, vehicles, rate_km_per_day,
            spread FROM usage_classrate WHERE kind = %s"""  # noqa: S608
    kinds = {"month_end_d": "f8", "type": "i8", "depot": "i8", "vehicles": "i8"}
    return bulk.read(sql, [kind], kinds | {"rate": "f8", "spread": "f8"})


def _table(stored: dict[str, Array], rows: Array) -> ClassRates:
    types, depots = stored["type"][rows], stored["depot"][rows]
    level = (types < 0).astype(np.int64) + (depots < 0)
    return ClassRates(
        level, types, depots, stored["vehicles"][rows], stored["rate"][rows], stored["spread"][rows]
    )


# --- month end -----------------------------------------------------------------------------
def months_to_close(
    now: datetime, earliest: datetime | None, newest: datetime | None
) -> list[date]:
    """Month ends without class rates, oldest first, from the earliest reading to be judged on.

    Parameters
    ----------
    earliest, newest
        First and last of the readings to be judged. History may come in several files, so a
        month stays open until readings from after it are here; with no newest one (at night)
        every month that is over is closed.
    """
    closed = _closed()
    if not closed and earliest is None:
        earliest = Reading.objects.aggregate(first=Min("taken_at"))["first"]
    starts = [max(closed) + timedelta(days=1)] if closed and newest is None else []
    starts += [earliest.astimezone(UTC).date()] if earliest else []
    if not starts:
        return []
    until = min(now, newest or now).astimezone(UTC).date()
    return [end for end in _month_ends(min(starts), until) if end not in closed]


def any_open(now: datetime, first: datetime, last: datetime) -> bool:
    """Whether a month waits for readings like those between two instants: one ends between them
    and is not closed, or nothing is closed since the one before them."""
    month_on = first.astimezone(UTC).date().replace(day=1)
    if max(_closed(), default=date.min) < month_on - timedelta(days=1):
        return True
    return bool(months_to_close(now, first, last))


def _closed() -> set[date]:
    sql = f"""SELECT {bulk.day_number('"on"')} FROM runs_run WHERE job = %s AND state = %s"""  # noqa: S608
    found = bulk.read(sql, [JOB, str(Run.State.DONE)], {"on_d": "i8"})
    return set(found["on_d"].astype("M8[D]").tolist())


def _month_ends(first: date, today: date) -> list[date]:
    """Last days of the months from ``first`` that are over before ``today``."""
    months = np.arange(np.datetime64(first, "M") + 1, np.datetime64(today, "M") + 1)
    return [day.item() for day in months.astype("M8[D]") - np.timedelta64(1, "D")]


def close_month(month_end_on: date, now: datetime) -> int:
    """Write the class rates of a month end; give the number of rows.

    A month without a vehicle to speak of stays open: its readings may still come.
    """
    written = sum(_close(kind, month_end_on) for kind in Meter.Kind.values)
    if not written:
        return 0
    Run.objects.update_or_create(
        job=JOB,
        on=month_end_on,
        part="",
        defaults={
            "state": Run.State.DONE,
            "started_at": now,
            "finished_at": now,
            "attempts": 1,
            "progress_share": 1.0,
            "counts": {"class rates": written},
        },
    )
    return written


def _close(kind: str, month_end_on: date) -> int:
    end_d = float(np.datetime64(month_end_on + timedelta(days=1), "D").astype(np.int64))
    meters = _gather_sums(kind)
    newer = np.flatnonzero(meters["last_at_d"] >= end_d)
    _rewind(meters, newer, end_d)
    known = np.isfinite(meters["last_at_d"])
    found = class_rates.class_rates(
        end_d,
        meters["sum_d"][known],
        meters["sum_km"][known],
        meters["last_at_d"][known],
        meters["type"][known],
        meters["depot"][known],
        LEAST_PER_DAY[Meter.Kind(kind)],
    )
    rows = len(found.rate)
    columns = {
        "kind": np.full(rows, kind, dtype=object),
        "type_pk": found.type_id,
        "depot_pk": found.depot_id,
        "month_end_on": np.full(rows, np.datetime64(month_end_on, "D")),
        "rate_km_per_day": found.rate,
        "spread": found.spread,
        "vehicles": found.vehicles,
    }
    key = ["kind", "type_pk", "depot_pk", "month_end_on"]
    return bulk.upsert(ClassRate, columns, key, update=[]) if rows else 0


def _gather_sums(kind: str) -> dict[str, Array]:
    scratch.bring(UsageState)
    sql = """
        SELECT m.id, v.vehicle_type_id, v.depot_id, s.sum_d, s.sum_km, s.last_at_d
        FROM usage_usagestate s JOIN vehicles_meter m ON m.id = s.meter_id
        JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        WHERE m.kind = %s ORDER BY m.id"""
    kinds = {"id": "i8", "type": "i8", "depot": "i8"}
    return bulk.read(sql, [kind], kinds | dict.fromkeys(("sum_d", "sum_km", "last_at_d"), "f8"))


def _rewind(meters: dict[str, Array], rows: Array, end_d: float) -> None:
    """Put meters read after the month end back to what was known at it, in place.

    The filter goes on from the newest state kept before it: a long history is not read again.
    """
    if not len(rows):
        return
    ids = meters["id"][rows]
    for model in (Reading, EarlierMemory, EarlierState):
        scratch.bring(model, ids)
    kept = earlier.newest_before(ids, end_d)
    events = _events_since(ids, kept, end_d)
    owner = np.searchsorted(ids, events["meter_id"])
    first = np.diff(owner, prepend=-1) != 0
    first &= ~np.isin(ids[owner], kept["meter_id"])  # of a meter without such a state
    state = _filled(len(ids), np.searchsorted(ids, kept["meter_id"]), kept)
    _fill(
        state,
        owner[first],
        vars(usage.start(events["at_d"][first], events["km"][first], 1.0, 1.0)),
    )
    counts = np.bincount(owner[~first], minlength=len(ids))
    offsets = np.concatenate(([0], np.cumsum(counts)))
    rest = (events[name][~first] for name in ("at_d", "km", "shift"))
    state = usage.advance(state, Events.of(offsets, *rest))
    for name in ("sum_d", "sum_km", "last_at_d"):
        meters[name][rows] = getattr(state, name)


def _events_since(ids: Array, kept: dict[str, Array], end_d: float) -> dict[str, Array]:
    """Accepted readings and moved bases of meters after their kept states and before an instant."""
    since_d, last_id = np.full(len(ids), earlier.BEGINNING_D), np.full(len(ids), -1)
    place = np.searchsorted(ids, kept["meter_id"])
    since_d[place], last_id[place] = kept["last_at_d"], kept["last_id"]
    table, params = bulk.pairs(ids, since_d)
    sql = f"""
        SELECT r.id, r.meter_id, {bulk.instant_d("r.taken_at")}, r.total, r.moves_base
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        CROSS JOIN readings_reading r
        WHERE r.meter_id = w.id AND r.taken_at >= {bulk.as_instant("w.figure")}
            AND r.taken_at < {bulk.as_instant(f"{end_d}")}
            AND (r.verdict = 'accepted' OR r.moves_base)
        ORDER BY r.meter_id, r.taken_at, r.id"""  # noqa: S608
    kinds = {"id": "i8", "meter_id": "i8", "at_d": "f8", "km": "f8", "shift": "?"}
    events = bulk.read(sql, params, kinds)
    at = np.searchsorted(ids, events["meter_id"])
    later = (events["at_d"] > since_d[at]) | (events["id"] > last_id[at])
    return {name: column[later] for name, column in events.items()}


def _filled(count: int, rows: Array, columns: dict[str, Array]) -> State:
    """States of so many meters of which only some are known."""
    state = State(*np.full((len(earlier.COLUMNS), count), np.nan))
    state.readings = np.zeros(count, dtype=np.int64)
    _fill(state, rows, columns)
    return state


def _fill(state: State, rows: Array, columns: dict[str, Array]) -> None:
    for name in earlier.COLUMNS:
        getattr(state, name)[rows] = columns[name]
