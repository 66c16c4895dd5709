"""Write readings that arrived together: each once, in one short transaction of the caller."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from django.db import connection

from fleet import bulk
from fleet.bulk import Columns
from fleet.calc.arrays import Array
from fleet.readings import scratch
from fleet.readings.models import Reading, Source, Verdict
from fleet.readings.reasons import WITHDRAWN

# one lock for all writers of the same source: two files with the same rows then neither wait for
# each other in a circle nor both call a row new
LOCK = 0x72656164
_COLUMNS = {
    "vehicle_id": "bigint",
    "meter_id": "bigint",
    "taken_at": "timestamptz",
    "time_known": "boolean",
    "value": "double precision",
    "unit": "varchar(2)",
    "meter_value": "double precision",
    "note": "varchar(300)",
}
# which of readings that are all new are accepted as they were read: their columns, ids, source
AtOnce = Callable[[Columns, Array, Source], Array]
_TABLE = "arriving_readings"
_KEY = "meter_id, taken_at, source, value, unit"


class Recorded(NamedTuple):
    """What became of readings that arrived, each of shape (n,)."""

    id: Array
    new: Array  # bool: was not there yet
    accepted: Array  # bool: has its verdict already


def record(
    readings: Columns, source: Source, received_at: datetime, at_once: AtOnce | None = None
) -> Recorded:
    """Insert what is not there yet.

    One that was rejected with an upload counts as new: it has come once more, from elsewhere.
    ``readings`` holds the columns of ``_COLUMNS``. ``at_once`` is asked only on PostgreSQL: SQLite
    writes a verdict over the one that stands there. Must run inside a transaction.
    """
    count = len(readings["meter_id"])
    none, every = np.zeros(count, bool), np.ones(count, bool)
    if not count:
        return Recorded(np.empty(0, np.int64), none, none)
    with connection.cursor() as cursor:
        if bulk.on_postgres() and not scratch.trying():
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        highest, words = _highest(cursor), _words(source, received_at)
        same = _written(words)
        if bulk.on_postgres() and _none_there(readings, source):
            ids = bulk.new_ids(Reading, count)
            accepted = none if at_once is None else at_once(readings, ids, source)
            _copy(readings, ids, accepted, words)
            return Recorded(ids, every, accepted)
        if not bulk.on_postgres() and _insert_rows(cursor, readings, same) == count:
            last = _highest(cursor)  # nobody else writes meanwhile: their ids are in a row
            return Recorded(np.arange(last - count + 1, last + 1), every, none)
        _make_room(cursor)
        _stage(cursor, readings)
        inserted = _insert_staged(cursor, same)
        if len(inserted) == count:
            return Recorded(inserted, every, none)
        ids, withdrawn = _ids(cursor, source)
        if withdrawn.any():
            judge_anew(ids[withdrawn])
    first = np.zeros(count, bool)
    first[np.unique(ids, return_index=True)[1]] = True
    return Recorded(ids, ((ids > highest) | withdrawn) & first, none)


def _make_room(cursor: Any) -> None:
    columns = ", ".join(f"{name} {kind}" for name, kind in _COLUMNS.items())
    cursor.execute(f"CREATE TEMPORARY TABLE IF NOT EXISTS {_TABLE} (place bigint, {columns})")
    cursor.execute(f"DELETE FROM {_TABLE}")  # noqa: S608


def _stage(cursor: Any, readings: Columns) -> None:
    rows = ((place, *row) for place, row in enumerate(_rows(readings)))
    listed = ", ".join(["place", *_COLUMNS])
    if bulk.on_postgres():
        with cursor.copy(f"COPY {_TABLE} ({listed}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        return
    marks = ", ".join(["%s"] * (len(_COLUMNS) + 1))
    cursor.executemany(f"INSERT INTO {_TABLE} ({listed}) VALUES ({marks})", rows)  # noqa: S608


def _rows(readings: Columns) -> Iterator[tuple[Any, ...]]:
    return zip(*(bulk.values(readings[name]) for name in _COLUMNS), strict=True)


def _highest(cursor: Any) -> int:
    cursor.execute(f"SELECT COALESCE(MAX(id), 0) FROM {Reading._meta.db_table}")  # noqa: S608
    return int(cursor.fetchone()[0])


def _words(source: Source, received_at: datetime) -> dict[str, Any]:
    """Columns that are the same for all readings that arrive together."""
    return {
        "source": str(source),
        "received_at": str(bulk.instant(received_at)),
        "verdict": str(Verdict.NOT_JUDGED),
        **dict.fromkeys(("reason", "fixed"), ""),
        **dict.fromkeys(("provisional", "moves_base"), False),
    }


def _written(words: dict[str, Any]) -> dict[str, str]:
    """The same as SQL; the words are our own, and none has a quotation mark."""
    return {
        name: f"'{word}'" if isinstance(word, str) else str(word).upper()
        for name, word in words.items()
    }


def _none_there(readings: Columns, source: Source) -> bool:
    """Whether all are new beyond doubt: no two of one meter and instant, and of no meter one
    stored from the first to the last of these. Whoever holds the lock may then just add them."""
    order = np.lexsort((readings["taken_at"], readings["meter_id"]))
    meter, at = readings["meter_id"][order], readings["taken_at"][order]
    other = np.diff(meter) != 0
    if not (other | (np.diff(at) > np.timedelta64(0))).all():
        return False
    first, last = np.flatnonzero(np.append(True, other)), np.flatnonzero(np.append(other, True))
    # LATERAL and LIMIT: a step into the index for each meter, whatever is believed of the table
    sql = f"""
        SELECT EXISTS (
            SELECT 1 FROM unnest(%s::bigint[], %s::timestamptz[], %s::timestamptz[])
                AS w(meter_id, first_at, last_at)
            CROSS JOIN LATERAL (
                SELECT 1 FROM {Reading._meta.db_table} r WHERE r.meter_id = w.meter_id
                    AND r.taken_at BETWEEN w.first_at AND w.last_at AND r.source = %s
                LIMIT 1) found)"""  # noqa: S608
    spans = [bulk.listed(bulk.values(one)) for one in (meter[first], at[first], at[last])]
    with connection.cursor() as cursor:
        cursor.execute(sql, [*spans, str(source)])
        return not cursor.fetchone()[0]


def _copy(readings: Columns, ids: Array, accepted: Array, words: dict[str, Any]) -> None:
    """Add readings that are all new."""
    columns = {name: np.full(len(ids), word, dtype=object) for name, word in words.items()}
    columns |= {"id": ids, **{name: readings[name] for name in _COLUMNS}}
    columns["verdict"][accepted] = str(Verdict.ACCEPTED)
    columns["total"] = np.where(accepted, readings["meter_value"], np.nan)
    bulk.insert(Reading, columns)


def _insert_rows(cursor: Any, readings: Columns, same: dict[str, str]) -> int:
    """Insert what is not there yet without a table between; give the number of rows inserted."""
    marks = ", ".join([*["%s"] * len(_COLUMNS), *same.values()])
    sql = f"{_insert_into(same)} VALUES ({marks}) ON CONFLICT ({_KEY}) DO NOTHING"
    cursor.executemany(sql, _rows(readings))
    return int(cursor.rowcount)


def _insert_staged(cursor: Any, same: dict[str, str]) -> Array:
    """Insert what is not there yet; give the ids of the rows inserted, in their order."""
    cursor.execute(
        f"{_insert_into(same)} SELECT {', '.join([*_COLUMNS, *same.values()])} "  # noqa: S608
        f"FROM {_TABLE} WHERE 1 = 1 ORDER BY place ON CONFLICT ({_KEY}) DO NOTHING RETURNING id"
    )
    return np.sort(np.array([pk for (pk,) in cursor.fetchall()], dtype=np.int64))


def _insert_into(same: dict[str, str]) -> str:
    return f"INSERT INTO {Reading._meta.db_table} ({', '.join([*_COLUMNS, *same])})"


def _ids(cursor: Any, source: Source) -> tuple[Array, Array]:
    """Of every reading its id, and whether it was rejected with an upload."""
    if bulk.on_postgres():
        cursor.execute(f"ANALYZE {_TABLE}")
    # CROSS JOIN keeps SQLite from walking through all readings; to PostgreSQL it is a plain join
    cursor.execute(
        "SELECT stored.id, stored.reason = %s AND stored.verdict = %s "  # noqa: S608
        f"FROM {_TABLE} arrived CROSS JOIN {Reading._meta.db_table} stored "
        "WHERE stored.meter_id = arrived.meter_id AND stored.taken_at = arrived.taken_at "
        "AND stored.source = %s AND stored.value = arrived.value AND stored.unit = arrived.unit "
        "ORDER BY arrived.place",
        [WITHDRAWN, Verdict.REJECTED, source],
    )
    rows = cursor.fetchall()
    ids = np.array([pk for pk, _ in rows], dtype=np.int64)
    return ids, np.array([withdrawn for _, withdrawn in rows], dtype=bool)


def judge_anew(ids: Array) -> None:
    """Let readings that were rejected wait for a verdict again."""
    where, params = bulk.among("id", ids)
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {Reading._meta.db_table} SET verdict = %s, fixed = '', reason = '' "  # noqa: S608
            f"WHERE {where}",
            [Verdict.NOT_JUDGED, *params],
        )
