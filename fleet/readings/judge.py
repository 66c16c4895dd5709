"""Give each reading its verdict: gather what is pending, judge it with ``calc``, record labels.

A meter is judged from its memory where its readings come in order of time; where an older one
turns up, or a person decided, it is judged again from the newest memory before that (`earlier`).
"""

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from django.db import transaction

from fleet import bulk
from fleet.calc import verdicts
from fleet.calc.arrays import Array
from fleet.calc.verdict_rows import FREE
from fleet.calc.verdicts import Batch, Judgement, Memory
from fleet.readings import earlier, labels
from fleet.readings.cells import KM_PER
from fleet.readings.earlier import CONFIRMED_KM, PENDING, pending_readings
from fleet.readings.misfits import hold_misfits
from fleet.readings.models import Reading, Source, Verdict, VerdictMemory
from fleet.vehicles.models import Meter

METERS_AT_ONCE = 10_000
READINGS_AT_ONCE = 15_000  # holds the write lock of SQLite for a tenth of a second
GRAIN = {Meter.Kind.KM: 1.0, Meter.Kind.HOURS: 0.1}  # hour meters: .1 h where km meters take 1 km
TOP_H_PER_DAY = 24.0
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)  # before any reading
ON_THE_HOUR_D = 0.5 / 86_400  # instants are whole seconds; half of one decides equality

# Rate and spread of meters by their ids and first instants [d since 1970]: the next stage's.
StartRates = Callable[[Array, Array], tuple[Array, Array]]

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


def judge(
    meter_ids: Array, now: datetime, start_rates: StartRates, until: datetime | None = None
) -> Judged:
    """Judge the pending readings of some meters, up to an instant if one is given."""
    done = Judged()
    for ids in earlier.portions(np.asarray(meter_ids), METERS_AT_ONCE, READINGS_AT_ONCE):
        _judge_chunk(ids, now, start_rates, until, done)
    return done


def replay(
    meter_ids: Array,
    now: datetime,
    start_rates: StartRates | None = None,
    since: datetime = LONG_AGO,
) -> Judged:
    """Judge readings of some meters again in order of time, decisions kept.

    ``since``: the first instant at which a reading or its offset is not what it was.
    """
    done = Judged()
    for begin in range(0, len(meter_ids), METERS_AT_ONCE):
        meters = gather_meters(meter_ids[begin : begin + METERS_AT_ONCE])
        changed_d = np.full(len(meters.id), days(since))
        _replay(meters, now, start_rates, done, changed_d)
    return done


def replay_marked(now: datetime, vehicle_ids: Array | None = None) -> Judged:
    """Judge again what was judged by rules of before; what is pending stays so."""
    done = Judged()
    if not bulk.has(VerdictMemory, "to_replay"):  # on nearly every night
        return done
    marked = VerdictMemory.objects.filter(to_replay=True).order_by("meter")
    rows = list(marked.values_list("meter", "meter__vehicle"))
    here = None if vehicle_ids is None else set(vehicle_ids.tolist())
    ids = np.array([pk for pk, owner in rows if here is None or owner in here], dtype=np.int64)
    for begin in range(0, len(ids), METERS_AT_ONCE):
        meter_ids = ids[begin : begin + METERS_AT_ONCE]
        from_the_first = np.full(len(meter_ids), days(LONG_AGO))
        _replay(gather_meters(meter_ids), now, None, done, from_the_first, LONG_AGO)
        VerdictMemory.objects.filter(meter__in=meter_ids.tolist()).update(to_replay=False)
    return done


def _judge_chunk(
    meter_ids: Array, now: datetime, start_rates: StartRates, until: datetime | None, done: Judged
) -> None:
    meters = gather_meters(meter_ids)
    rows = gather_readings(meters.id, until, pending_only=True)
    place = np.searchsorted(meters.id, rows["meter_id"])
    late = rows["at_d"] < meters.memory.last_at_d[place] - ON_THE_HOUR_D
    amid = late | (rows["at_d"] < _held_until_d(meters.memory)[place])
    must_replay = np.zeros(len(meters.id), dtype=bool)
    must_replay[place[amid]] = True
    if amid.any():
        kinds = meters.memory.top_km_per_day[place], meters.memory.grain[place]
        hold_misfits(rows, np.flatnonzero(late), *kinds)
        again = np.flatnonzero(must_replay)
        changed_d = np.full(len(meters.id), earlier.NEVER_D)
        np.minimum.at(changed_d, place, rows["at_d"])
        _replay(meters.take(again), now, start_rates, done, changed_d[again], until)
    straight = np.flatnonzero(~must_replay & np.isin(meters.id, rows["meter_id"]))
    kept = ~must_replay[place]
    rows = {name: column[kept] for name, column in rows.items()}
    _judge_onwards(meters.take(straight), rows, now, start_rates, done, until)


def _held_until_d(memory: Memory) -> Array:
    """Instants before which a reading may stand amid held ones, NaN where nothing is held [d]."""
    stuck_d = np.where(memory.waiting, memory.last_at_d + verdicts.STUCK_D[1], np.nan)
    held_d = np.where(memory.held_count > 0, memory.held_at_d[:, -1], np.nan)
    return np.asarray(np.fmax(stuck_d, held_d) - ON_THE_HOUR_D)


def _judge_onwards(
    meters: Meters,
    rows: dict[str, Array],
    now: datetime,
    start_rates: StartRates,
    done: Judged,
    until: datetime | None,
) -> None:
    if not len(rows["id"]):
        return
    batch = batch_of(meters.id, rows)
    new = np.flatnonzero(~meters.known)
    rate, spread = start_rates(meters.id[new], batch.at_d[batch.start[:-1][new]])
    meters.memory.rate_km_per_day[new], meters.memory.spread[new] = rate, spread
    last_d = np.repeat(meters.memory.last_at_d, np.diff(batch.start))
    found = verdicts.judge(meters.memory, batch, days(now))
    at_once = (batch.at_d <= last_d) & (found.verdict == verdicts.ACCEPTED)
    found.rewritten[np.searchsorted(meters.id, rows["meter_id"][at_once])] = True
    meters.version[found.rewritten] += 1
    _record(meters, rows, found, done)
    # what was held in an earlier call may be confirmed now: only the whole story shows it
    again = np.flatnonzero(found.again)
    if len(again):
        unchanged_d = np.full(len(again), earlier.NEVER_D)
        whole = gather_meters(meters.id[again])
        _replay(whole, now, None, done, unchanged_d, until or LONG_AGO)


def _replay(
    meters: Meters,
    now: datetime,
    start_rates: StartRates | None,
    done: Judged,
    changed_d: Array,
    until: datetime | None = None,
) -> None:
    """Judge meters again from their newest memory before anything that changed or is pending."""
    first_d, pending_d = earlier.bounds(meters.id)
    read = np.flatnonzero(np.isfinite(first_d))
    meters, changed_d = meters.take(read), np.fmin(changed_d, pending_d)[read]
    old = meters.memory
    rate, spread = old.rate_km_per_day, old.spread
    if start_rates is not None:
        rate, spread = start_rates(meters.id, first_d[read])
    memory = Memory.start(len(meters.id), rate, spread, old.top_km_per_day, old.grain)
    changed_d[~meters.known] = earlier.BEGINNING_D
    begun = earlier.begin(meters.id, changed_d, memory)
    rows = gather_readings(meters.id, until, pending_only=False, begun=begun)
    found = verdicts.judge(memory, batch_of(meters.id, rows), days(now))
    meters.version[:] += 1
    _record(replace(meters, memory=memory), rows, found, done, begun.at_d)


def days(now: datetime) -> float:
    """The present moment as the judge counts it [d since 1970]."""
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
    meter_ids: Array,
    until: datetime | None,
    *,
    pending_only: bool,
    begun: earlier.Begun | None = None,
) -> dict[str, Array]:
    """Readings of some meters, by meter and time, with the confirmed offset of each.

    Those that nobody judged yet only before ``until``, if it is given; of each meter only those
    after the reading that it was ``begun`` at.
    """
    ids = np.asarray(meter_ids, dtype=np.int64)
    where, params = bulk.among("r.meter_id", ids)
    source = "readings_reading r"
    if pending_only:
        source, where = pending_readings(), f"{where} AND {PENDING}"
    if begun is not None:
        table, params = bulk.pairs(ids, begun.at_d)
        source = f"{table} AS w{'(id, figure)' if bulk.on_postgres() else ''} "
        source += "CROSS JOIN readings_reading r"
        where = f"r.meter_id = w.id AND r.taken_at >= {bulk.as_instant('w.figure')}"
    if until is not None:
        where = f"{where} AND (r.taken_at < %s OR r.verdict <> %s)"
        params = [*params, bulk.instant(until), str(Verdict.NOT_JUDGED)]
    sql = f"""
        SELECT r.id, r.meter_id, {bulk.instant_d("r.taken_at")},
            COALESCE(r.settled_value, r.meter_value), {CONFIRMED_KM}, r.unit, r.source,
            r.fixed, r.verdict, r.reason, r.suggestion, r.probability,
            r.total, r.provisional, r.moves_base
        FROM {source} WHERE {where} ORDER BY r.meter_id, r.taken_at, r.id"""  # noqa: S608
    rows = bulk.read(sql, params, READING_COLUMNS)
    return rows if begun is None else earlier.after(rows, ids, begun)


def batch_of(meter_ids: Array, rows: dict[str, Array]) -> Batch:
    """Rows as ``gather_readings`` gives them, for the meters whose they are."""
    start = np.searchsorted(rows["meter_id"], meter_ids)
    return Batch.of(
        np.append(start, len(rows["id"])),
        rows["id"],
        rows["at_d"],
        rows["value_km"] + rows["confirmed_km"],
        unit_km=_coded(rows["unit"], KM_PER, "f8"),
        confirmed_km=rows["confirmed_km"],
        source=_coded(rows["source"], SOURCE_CODE, "i8"),
        fixed=_coded(rows["fixed"], FIXED, "i8"),
    )


def _coded(words: Array, codes: dict[Any, Any], dtype: str) -> Array:
    return np.array([codes[word] for word in words], dtype=dtype)


# --- record ------------------------------------------------------------------------------
def _record(
    meters: Meters,
    rows: dict[str, Array],
    found: Judgement,
    done: Judged,
    since_d: Array | None = None,
) -> None:
    new = labels.of_rows(rows, found)
    differs = labels.differs(rows, new)
    pending = rows["verdict"] == Verdict.NOT_JUDGED
    done.verdicts.update(new["verdict"][pending].tolist())
    done.relabelled += int((differs & ~pending).sum()) + len(found.changed)
    done.meters += len(meters.id)
    with transaction.atomic():
        labels.write(rows, new, differs)
        if found.changed:
            bulk.update(Reading, labels.of_changed(found))
        remember(meters)
        earlier.keep(meters.id, meters.version, since_d, found.kept, ~found.again)


def remember(meters: Meters) -> None:
    """Write the memory of meters where it is not what is stored."""
    bulk.upsert(VerdictMemory, _memory_columns(meters), key=["meter_id"])


def _memory_columns(meters: Meters) -> dict[str, Array]:
    held = [json.dumps(rows) for rows in verdicts.held_as_rows(meters.memory)]
    columns = {name: getattr(meters.memory, name) for name in MEMORY_COLUMNS}
    return {
        "meter_id": meters.id,
        **columns,
        "held": np.array(held, dtype=object),
        "version": np.maximum(meters.version, 1),
        "to_replay": np.zeros(len(meters.id), dtype=bool),
    }
