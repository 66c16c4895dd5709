"""Memories of the judge from earlier on, so that judging again need not begin at the beginning.

A memory at an accepted reading with nothing held since is all that later verdicts rest on. One is
kept every so many readings; it serves as long as that reading is still accepted with the same
offset, and the meter still starts with the same rate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from django.db import connection
from django.db.models import Model

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.calc.verdict_rows import Kept, Memory
from fleet.readings.models import EarlierMemory

COLUMNS = [
    field.attname
    for field in EarlierMemory._meta.concrete_fields
    if field.attname not in {"id", "meter_id", "version"}
]
BEGINNING_D = 0.0  # before any reading [d since 1970]
CONFIRMED_KM = """COALESCE((
    SELECT c."offset" FROM vehicles_meterchange c
    WHERE c.meter_id = r.meter_id AND c.from_at <= r.taken_at
    ORDER BY c.from_at DESC LIMIT 1), 0)"""  # the offset that a reading ``r`` is counted with
PENDING = "r.verdict = 'not judged'"
NEVER_D = 1e6  # after any reading


@dataclass(frozen=True)
class Begun:
    """From where each of some meters is judged again."""

    at_d: Array  # instant of the reading that the memory stands at, ``BEGINNING_D`` for none [d]
    last_id: Array  # that reading, -1 for none
    memory: Memory


def begin(meter_ids: Array, before_d: Array, start: Memory) -> Begun:
    """Take each meter's newest memory from before an instant, or its start where there is none.

    Parameters
    ----------
    meter_ids
        Meters, rising, shape (n,).
    before_d
        Only readings from this instant on may have changed [d since 1970].
    start
        Memory of these meters as if they had never been read; the found ones are put into it.
    """
    found = _newest(meter_ids, before_d)
    place = np.searchsorted(meter_ids, found["meter_id"])
    same = np.ones(len(place), dtype=bool)
    for name in ("rate_km_per_day", "spread", "top_km_per_day"):
        same &= found[name] == getattr(start, name)[place]
    here = place[same]
    for name in COLUMNS:
        column = getattr(start, name)
        column[here] = found[name][same].astype(column.dtype)
    at_d, last_id = np.full(len(meter_ids), BEGINNING_D), np.full(len(meter_ids), -1)
    at_d[here], last_id[here] = found["last_at_d"][same], found["last_id"][same].astype(np.int64)
    return Begun(at_d, last_id, start)


def _newest(meter_ids: Array, before_d: Array) -> dict[str, Array]:
    table, params = bulk.pairs(meter_ids, before_d)
    sql = f"""
        SELECT c.meter_id, {", ".join(f"c.{name}" for name in COLUMNS)}
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        CROSS JOIN readings_earliermemory c
        WHERE c.id = (
            SELECT k.id FROM readings_earliermemory k JOIN readings_reading r ON r.id = k.last_id
            WHERE k.meter_id = w.id AND k.last_at_d < w.figure AND r.verdict = 'accepted'
                AND k.last_confirmed_km = {CONFIRMED_KM}
            ORDER BY k.last_at_d DESC LIMIT 1)
        ORDER BY c.meter_id"""  # noqa: S608
    return bulk.read(sql, params, {"meter_id": "i8"} | dict.fromkeys(COLUMNS, "f8"))


def after(rows: dict[str, Array], meter_ids: Array, begun: Begun) -> dict[str, Array]:
    """Leave out readings of the instants begun at that the memories know already."""
    place = np.searchsorted(meter_ids, rows["meter_id"])
    at_d, last_id = begun.at_d[place], begun.last_id[place]
    later = (rows["at_d"] > at_d) | (rows["id"] > last_id)
    return {name: column[later] for name, column in rows.items()}


def bounds(meter_ids: Array) -> tuple[Array, Array]:
    """Each meter's first reading and its first that nobody judged yet, NaN for none [d]."""
    where, params = bulk.among("m.id", meter_ids)
    first = "SELECT r.taken_at FROM readings_reading r WHERE r.meter_id = m.id ORDER BY r.taken_at"
    pending = f"{pending_readings()} WHERE r.meter_id = m.id AND {PENDING}"
    sql = f"""
        SELECT {bulk.instant_d(f"({first} LIMIT 1)")},
            {bulk.instant_d(f"(SELECT MIN(r.taken_at) FROM {pending})")}
        FROM vehicles_meter m WHERE {where} ORDER BY m.id"""  # noqa: S608
    found = bulk.read(sql, params, {"first_d": "f8", "pending_d": "f8"})
    return found["first_d"], found["pending_d"]


def confirmed_km(reading_ids: Array) -> Array:
    """Offsets that some readings, in any order, are counted with [km or h]."""
    where, params = bulk.among("r.id", reading_ids)
    sql = f"SELECT r.id, {CONFIRMED_KM} FROM readings_reading r WHERE {where} ORDER BY r.id"  # noqa: S608
    found = bulk.read(sql, params, {"id": "i8", "offset": "f8"})
    return found["offset"][np.searchsorted(found["id"], reading_ids)]


def pending_readings() -> str:
    """The table ``r`` of readings, to be read by the index of those that are ``PENDING``.

    SQLite would rather walk through a meter's whole history than sort what it finds.
    """
    return "readings_reading r" + ("" if bulk.on_postgres() else " INDEXED BY readings_not_judged")


def portions(meter_ids: Array, most_meters: int, most_readings: int) -> list[Array]:
    """Meters with readings that nobody judged yet, in parts to be recorded at once: of about so
    many readings at most, a meter as a whole."""
    if not len(meter_ids):
        return []
    where, params = bulk.among("r.meter_id", meter_ids)
    sql = f"""
        SELECT r.meter_id, COUNT(*) FROM {pending_readings()} WHERE {where} AND {PENDING}
        GROUP BY r.meter_id ORDER BY r.meter_id"""  # noqa: S608
    found = bulk.read(sql, params, {"meter_id": "i8", "count": "i8"})
    readings = np.cumsum(found["count"]) - 1
    part = readings // most_readings + np.arange(len(readings)) // most_meters
    return np.split(found["meter_id"], np.flatnonzero(np.diff(part)) + 1) if len(part) else []


def keep(
    meter_ids: Array, version: Array, since_d: Array | None, kept: Sequence[Kept], usable: Array
) -> None:
    """Write memories that judging came by, in place of those after the instants it began at.

    Parameters
    ----------
    meter_ids, version
        The meters judged, and the version of their verdicts, shape (n,).
    since_d
        Where they were judged again from [d]; None where nothing was judged again.
    kept
        Memories by row of the meters.
    usable
        Meters whose memories hold good, shape (n,), bool.
    """
    if since_d is not None:
        delete_after(EarlierMemory, meter_ids, "last_at_d", since_d)
    if not kept:
        return
    meter = np.concatenate([part.meter for part in kept])
    columns = {
        name: np.concatenate([getattr(part.memory, name) for part in kept]) for name in COLUMNS
    }
    wanted = _last_of_each(meter, columns["last_at_d"])
    wanted = wanted[usable[meter[wanted]]]
    owners = meter[wanted]
    rows = {name: column[wanted] for name, column in columns.items()}
    rows |= {"meter_id": meter_ids[owners], "version": np.maximum(version[owners], 1)}
    bulk.upsert(EarlierMemory, rows, key=["meter_id", "last_at_d"])


def delete_after(model: type[Model], meter_ids: Array, column: str, after: Array) -> None:
    """Delete the rows of some meters in which a column is beyond a figure, one figure a meter."""
    table, params = bulk.pairs(meter_ids, after)
    name = model._meta.db_table
    sql = f"""
        DELETE FROM {name} WHERE id IN (
            SELECT d.id FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
            CROSS JOIN {name} d WHERE d.meter_id = w.id AND d.{column} > w.figure)"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, params)


def _last_of_each(meter: Array, at_d: Array) -> Array:
    """Places of the last entry of each meter and instant."""
    keys = np.stack((meter.astype(np.float64), at_d))[:, ::-1]
    _, first = np.unique(keys, axis=1, return_index=True)
    return np.sort(len(meter) - 1 - first)
