"""Give each reading its verdict: gather what is pending, judge it with ``calc``, record labels.

A meter is judged from its memory where its readings come in order of time; where an older one
turns up, or a person decided, the meter is replayed from its first reading.
"""

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.bulk import Array
from fleet.calc import verdicts
from fleet.calc.verdict_rows import FREE
from fleet.calc.verdicts import Batch, Judgement, Memory
from fleet.readings.models import Reading, Source, Verdict, VerdictMemory
from fleet.vehicles.models import Meter

METERS_AT_ONCE = 10_000
KM_PER_UNIT = {"km": 1.0, "mi": 1.609344, "h": 1.0}
GRAIN = {Meter.Kind.KM: 1.0, Meter.Kind.HOURS: 0.1}  # hour meters: .1 h where km meters take 1 km
TOP_H_PER_DAY = 24.0
ON_THE_HOUR_D = 0.5 / 86_400  # instants are whole seconds; half of one decides equality

# Class rate and spread for meters that start at given instants: ids and days since 1970 in,
# two arrays out. The next stage knows them; its caller hands it in.
StartRates = Callable[[Array, Array], tuple[Array, Array]]

LABELS = ("", Verdict.ACCEPTED, Verdict.HELD, Verdict.REJECTED)
FIXED = {
    "": FREE,
    Verdict.ACCEPTED: verdicts.DECIDED_ACCEPT,
    Verdict.HELD: verdicts.DECIDED_HELD,
    Verdict.REJECTED: verdicts.DECIDED_REJECT,
}
SOURCE_CODE = {source: code for code, source in enumerate(Source.values)}
MEMORY_COLUMNS = [
    item.name
    for item in fields(Memory)
    if item.name not in {"top_km_per_day", "grain", "held_count", "held_id", "held_at_d", "held_km"}
]


@dataclass
class Judged:
    """What a round of judging did."""

    verdicts: Counter[str] = field(default_factory=Counter)  # of readings judged now
    relabelled: int = 0  # earlier verdicts that changed
    meters: int = 0


@dataclass(frozen=True)
class Meters:
    """Meters to judge, sorted by id, with their memory if they have one."""

    id: Array
    known: Array  # bool: has a memory
    version: Array
    memory: Memory

    def take(self, rows: Array) -> "Meters":
        part = self.memory.take(rows)
        return replace(
            self, id=self.id[rows], known=self.known[rows], version=self.version[rows], memory=part
        )


def pending_meters(vehicle_ids: Array | None = None) -> Array:
    """Ids of meters with readings that nobody judged yet."""
    where, params = "verdict = %s", [str(Verdict.NOT_JUDGED)]
    if vehicle_ids is not None:
        also, more = bulk.among("vehicle_id", vehicle_ids)
        where, params = f"{where} AND {also}", params + more
    sql = f"SELECT DISTINCT meter_id FROM readings_reading WHERE {where} ORDER BY 1"  # noqa: S608
    return bulk.read(sql, params, {"meter_id": "i8"})["meter_id"]


def judge(
    meter_ids: Array, now: datetime, start_rates: StartRates, until: datetime | None = None
) -> Judged:
    """Judge the pending readings of some meters, up to an instant if one is given."""
    done = Judged()
    for begin in range(0, len(meter_ids), METERS_AT_ONCE):
        _judge_chunk(meter_ids[begin : begin + METERS_AT_ONCE], now, start_rates, until, done)
    return done


def replay(meter_ids: Array, now: datetime, start_rates: StartRates | None = None) -> Judged:
    """Judge all readings of some meters again in order of time, decisions kept."""
    done = Judged()
    for begin in range(0, len(meter_ids), METERS_AT_ONCE):
        meters = gather_meters(meter_ids[begin : begin + METERS_AT_ONCE])
        _replay(meters, now, start_rates, done)
    return done


def _judge_chunk(
    meter_ids: Array, now: datetime, start_rates: StartRates, until: datetime | None, done: Judged
) -> None:
    meters = gather_meters(meter_ids)
    rows = gather_readings(meters.id, until, pending_only=True)
    place = np.searchsorted(meters.id, rows["meter_id"])
    late = rows["at_d"] < meters.memory.last_at_d[place] - ON_THE_HOUR_D
    must_replay = np.zeros(len(meters.id), dtype=bool)
    must_replay[place[late]] = True
    if late.any():
        _hold_misfits(rows, np.flatnonzero(late), meters, place)
        _replay(meters.take(np.flatnonzero(must_replay)), now, start_rates, done)
    straight = np.flatnonzero(~must_replay & np.isin(meters.id, rows["meter_id"]))
    kept = ~must_replay[place]
    rows = {name: column[kept] for name, column in rows.items()}
    _judge_onwards(meters.take(straight), rows, now, start_rates, done)


def _judge_onwards(
    meters: Meters, rows: dict[str, Array], now: datetime, start_rates: StartRates, done: Judged
) -> None:
    if not len(rows["id"]):
        return
    batch = _batch(meters.id, rows)
    new = np.flatnonzero(~meters.known)
    rate, spread = start_rates(meters.id[new], batch.at_d[batch.start[:-1][new]])
    meters.memory.rate_km_per_day[new], meters.memory.spread[new] = rate, spread
    found = verdicts.judge(meters.memory, batch, _days(now))
    meters.version[found.rewritten] += 1
    _record(meters, rows, found, done)


def _replay(meters: Meters, now: datetime, start_rates: StartRates | None, done: Judged) -> None:
    rows = gather_readings(meters.id, None, pending_only=False)
    meters = meters.take(np.flatnonzero(np.isin(meters.id, rows["meter_id"])))
    if not len(meters.id):
        return
    batch = _batch(meters.id, rows)
    old = meters.memory
    rate, spread = old.rate_km_per_day, old.spread
    if start_rates is not None:
        rate, spread = start_rates(meters.id, batch.at_d[batch.start[:-1]])
    memory = Memory.start(len(meters.id), rate, spread, old.top_km_per_day, old.grain)
    found = verdicts.judge(memory, batch, _days(now))
    meters.version[:] += 1
    _record(replace(meters, memory=memory), rows, found, done)


def _hold_misfits(rows: dict[str, Array], late: Array, meters: Meters, place: Array) -> None:
    """Hold back-dated readings that do not fit between their accepted neighbours in time."""
    owners = np.unique(rows["meter_id"][late])
    known = gather_readings(owners, None, pending_only=False)
    accepted = known["verdict"] == Verdict.ACCEPTED
    key = _key(known["meter_id"], known["at_d"])[accepted]
    after = np.searchsorted(key, _key(rows["meter_id"][late], rows["at_d"][late]))
    columns = [known["meter_id"][accepted], known["at_d"][accepted], known["total"][accepted]]
    before_d, before_km = _neighbours(columns, after - 1, rows["meter_id"][late])
    after_d, after_km = _neighbours(columns, after, rows["meter_id"][late])
    value = rows["value_km"][late] + rows["confirmed_km"][late]
    top, grain = meters.memory.top_km_per_day[place[late]], meters.memory.grain[place[late]]
    fits = verdicts.fits_between(
        rows["at_d"][late], value, before_d, before_km, after_d, after_km, top, grain
    )
    # what carries a verdict of its own is left to the replay: it would be rejected there anyway
    ids = rows["id"][late][~fits & np.isfinite(value) & (value >= 0)]
    held = np.full(len(ids), str(Verdict.HELD), dtype=object)
    reason = np.full(len(ids), "out_of_order", dtype=object)
    bulk.update(Reading, {"id": ids, "fixed": held, "verdict": held, "reason": reason})


def _key(meter_id: Array, at_d: Array) -> Array:
    """One sortable number for meter and second; room for 136 years of seconds per meter."""
    seconds = np.rint(at_d * 86_400).astype(np.int64)
    return np.asarray(meter_id.astype(np.int64) * 2**33 + seconds)


def _neighbours(columns: list[Array], at: Array, owner: Array) -> tuple[Array, Array]:
    meter_id, at_d, km = columns
    if not len(meter_id):
        return np.full(len(at), np.nan), np.full(len(at), np.nan)
    inside = np.clip(at, 0, len(meter_id) - 1)
    own = (at == inside) & (meter_id[inside] == owner)
    return np.where(own, at_d[inside], np.nan), np.where(own, km[inside], np.nan)


def _days(now: datetime) -> float:
    return now.timestamp() / 86_400


# --- gather ------------------------------------------------------------------------------
def gather_meters(meter_ids: Array) -> Meters:
    """Meters by id, with what is remembered of them."""
    where, params = bulk.among("m.id", np.asarray(meter_ids, dtype=np.int64))
    stored = [f"s.{name}" for name in MEMORY_COLUMNS]
    sql = f"""
        SELECT m.id, m.kind, t.top_km_per_day, s.meter_id, s.version, s.held, {", ".join(stored)}
        FROM vehicles_meter m
        JOIN vehicles_vehicle v ON v.id = m.vehicle_id
        JOIN vehicles_vehicletype t ON t.id = v.vehicle_type_id
        LEFT JOIN readings_verdictmemory s ON s.meter_id = m.id
        WHERE {where} ORDER BY m.id"""  # noqa: S608
    kinds = {"id": "i8", "kind": "O", "top": "f8", "known": "f8", "version": "f8", "held": "O"}
    found = bulk.read(sql, params, kinds | dict.fromkeys(MEMORY_COLUMNS, "f8"))
    hours = found["kind"] == Meter.Kind.HOURS
    top = np.where(hours, TOP_H_PER_DAY, found["top"])
    grain = np.where(hours, GRAIN[Meter.Kind.HOURS], GRAIN[Meter.Kind.KM])
    known = np.isfinite(found["known"])
    memory = _memory(found, known, top, grain)
    return Meters(found["id"], known, np.nan_to_num(found["version"]).astype(np.int64), memory)


def _memory(found: dict[str, Array], known: Array, top: Array, grain: Array) -> Memory:
    memory = Memory.start(len(known), 1.0, 1.0, top, grain)
    for name in MEMORY_COLUMNS:
        column = getattr(memory, name)
        column[known] = found[name][known].astype(column.dtype)
    rows = [json.loads(held) if isinstance(held, str) else held or [] for held in found["held"]]
    verdicts.held_from_rows(memory, rows)
    return memory


READING_COLUMNS = {
    "id": "i8",
    "meter_id": "i8",
    "at_d": "f8",
    "value_km": "f8",
    "confirmed_km": "f8",
    "unit": "O",
    "source": "O",
    "fixed": "O",
    "verdict": "O",
    "reason": "O",
    "suggestion": "f8",
    "probability": "f8",
    "total": "f8",
    "provisional": "?",
    "moves_base": "?",
}


def gather_readings(
    meter_ids: Array, until: datetime | None, *, pending_only: bool
) -> dict[str, Array]:
    """Readings of some meters, by meter and time, with the confirmed offset of each."""
    where, params = bulk.among("r.meter_id", np.asarray(meter_ids, dtype=np.int64))
    if pending_only:
        where, params = f"{where} AND r.verdict = %s", [*params, str(Verdict.NOT_JUDGED)]
    if until is not None:
        where, params = f"{where} AND r.taken_at < %s", [*params, until]
    sql = f"""
        SELECT r.id, r.meter_id, {bulk.instant_d("r.taken_at")},
            COALESCE(r.settled_value, r.meter_value),
            COALESCE((SELECT c."offset" FROM vehicles_meterchange c
                      WHERE c.meter_id = r.meter_id AND c.from_at <= r.taken_at
                      ORDER BY c.from_at DESC LIMIT 1), 0),
            r.unit, r.source, r.fixed, r.verdict, r.reason, r.suggestion, r.probability,
            r.total, r.provisional, r.moves_base
        FROM readings_reading r WHERE {where} ORDER BY r.meter_id, r.taken_at, r.id"""  # noqa: S608
    return bulk.read(sql, params, READING_COLUMNS)


def _batch(meter_ids: Array, rows: dict[str, Array]) -> Batch:
    start = np.searchsorted(rows["meter_id"], meter_ids)
    return Batch.of(
        np.append(start, len(rows["id"])),
        rows["id"],
        rows["at_d"],
        rows["value_km"] + rows["confirmed_km"],
        unit_km=_coded(rows["unit"], KM_PER_UNIT, "f8"),
        confirmed_km=rows["confirmed_km"],
        source=_coded(rows["source"], SOURCE_CODE, "i8"),
        fixed=_coded(rows["fixed"], FIXED, "i8"),
    )


def _coded(words: Array, codes: dict[Any, Any], dtype: str) -> Array:
    return np.array([codes[word] for word in words], dtype=dtype)


# --- record ------------------------------------------------------------------------------
def _record(meters: Meters, rows: dict[str, Array], found: Judgement, done: Judged) -> None:
    labels = _labels(rows, found)
    differs = _differs(rows, labels)
    pending = rows["verdict"] == Verdict.NOT_JUDGED
    done.verdicts.update(labels["verdict"][pending].tolist())
    done.relabelled += int((differs & ~pending).sum()) + len(found.changed)
    done.meters += len(meters.id)
    with transaction.atomic():
        bulk.update(Reading, {name: column[differs] for name, column in labels.items()})
        if found.changed:
            bulk.update(Reading, _changed(found))
        bulk.upsert(VerdictMemory, _memory_columns(meters), key=["meter_id"])


def _labels(rows: dict[str, Array], found: Judgement) -> dict[str, Array]:
    """Columns to write; what a person decided keeps its stored words."""
    kept = found.reason == verdicts.reason_code("kept")
    new = {
        "verdict": np.array(LABELS, dtype=object)[found.verdict],
        "reason": np.array(verdicts.REASONS, dtype=object)[found.reason],
        "suggestion": found.suggestion_km - rows["confirmed_km"],
        "probability": found.probability,
    }
    columns = {name: np.where(kept, rows[name], column) for name, column in new.items()}
    columns["verdict"] = new["verdict"]
    return {
        "id": rows["id"],
        **columns,
        "total": np.where(np.isfinite(found.total_km), found.total_km, np.nan),
        "provisional": found.provisional,
        "moves_base": found.moves_base,
    }


def _differs(rows: dict[str, Array], labels: dict[str, Array]) -> Array:
    differs = np.zeros(len(rows["id"]), dtype=bool)
    for name, column in labels.items():
        same = rows[name] == column
        if column.dtype.kind == "f":
            same |= np.isnan(rows[name]) & np.isnan(column)
        differs |= ~same
    return differs


def _changed(found: Judgement) -> dict[str, Array]:
    labels = found.changed
    return {
        "id": np.array([row.reading_id for row in labels]),
        "verdict": np.array([LABELS[row.verdict] for row in labels], dtype=object),
        "reason": np.array([verdicts.REASONS[row.reason] for row in labels], dtype=object),
        "suggestion": np.array([row.suggestion_km for row in labels]),
        "probability": np.array([row.probability for row in labels]),
        "total": np.array([row.total_km for row in labels]),
        "provisional": np.array([row.provisional for row in labels]),
        "moves_base": np.array([row.moves_base for row in labels]),
    }


def _memory_columns(meters: Meters) -> dict[str, Array]:
    held = [json.dumps(rows) for rows in verdicts.held_as_rows(meters.memory)]
    columns = {name: getattr(meters.memory, name) for name in MEMORY_COLUMNS}
    return {
        "meter_id": meters.id,
        **columns,
        "held": np.array(held, dtype=object),
        "version": np.maximum(meters.version, 1),
    }
