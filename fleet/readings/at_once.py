"""Accept readings on their way in, where nothing about them or their meter is in doubt.

A verdict that is written with a reading need not be written over it: on PostgreSQL that would be a
second row, and a second entry in every index. What is not plain waits for the judge like any other.
"""

from datetime import datetime

import numpy as np

from fleet import bulk
from fleet.bulk import Columns
from fleet.calc import verdicts
from fleet.calc.arrays import Array
from fleet.readings import earlier, judge, labels
from fleet.readings.models import Source, Verdict

# a meter whose every reading is judged, none waits to be confirmed, and none was ever turned
PLAIN = """
    SELECT s.meter_id FROM readings_verdictmemory s
    WHERE {where} AND s.accepted > 0 AND s.held = '[]' AND s.offset_km = 0
        AND NOT (s.to_replay OR s.waiting OR s.provisional)
        AND NOT EXISTS (SELECT 1 FROM vehicles_meterchange c WHERE c.meter_id = s.meter_id)
        AND NOT EXISTS (SELECT 1 FROM readings_reading r
            WHERE r.meter_id = s.meter_id AND r.verdict = 'not judged')
    ORDER BY s.meter_id"""


def accept(readings: Columns, ids: Array, source: Source, now: datetime) -> Array:
    """Judge readings that are all new, and remember what follows where all of a meter are accepted
    as they were read; give which, shape (n,), bool.

    Parameters
    ----------
    readings
        Columns as ``record`` takes them, no two of a meter of the same instant.
    ids
        Under which they will be stored, shape (n,).

    Must run in the transaction that stores them.
    """
    where, params = bulk.among("s.meter_id", np.unique(readings["meter_id"]))
    plain = bulk.read(PLAIN.format(where=where), params, {"id": "i8"})["id"]
    accepted = np.zeros(len(ids), dtype=bool)
    if len(plain):
        order = np.lexsort((readings["taken_at"], readings["meter_id"]))
        order = order[np.isin(readings["meter_id"][order], plain)]
        meters, rows = judge.gather_meters(plain), _rows(readings, ids, source, order)
        accepted[order] = _judge(meters, rows, now)
    return accepted


def _rows(readings: Columns, ids: Array, source: Source, order: Array) -> dict[str, Array]:
    """Readings as the judge gathers them from the database, with nothing said of them yet."""
    count = len(order)
    blank, nothing = np.full(count, "", dtype=object), np.full(count, np.nan)
    return {
        "id": ids[order],
        "meter_id": readings["meter_id"][order],
        "at_d": readings["taken_at"][order].astype("M8[s]").astype(np.int64) / 86_400.0,
        "value_km": readings["meter_value"][order],
        "confirmed_km": np.zeros(count),
        "unit": readings["unit"][order],
        "source": np.full(count, str(source), dtype=object),
        "verdict": np.full(count, str(Verdict.NOT_JUDGED), dtype=object),
        **dict.fromkeys(("fixed", "reason"), blank),
        **dict.fromkeys(("suggestion", "probability", "total"), nothing),
        **dict.fromkeys(("provisional", "moves_base"), np.zeros(count, dtype=bool)),
    }


def _judge(meters: judge.Meters, rows: dict[str, Array], now: datetime) -> Array:
    """Which rows are accepted with all of their meter; remembers these meters."""
    place = np.searchsorted(meters.id, rows["meter_id"])
    doubted = rows["at_d"] <= meters.memory.last_at_d[place]  # of two at an instant both count anew
    found = verdicts.judge(meters.memory, judge.batch_of(meters.id, rows), judge.days(now))
    doubted |= ~labels.as_read(rows, labels.of_rows(rows, found))
    sound = ~found.rewritten
    sound[place[doubted]] = False
    judge.remember(meters.take(np.flatnonzero(sound)))
    earlier.keep(meters.id, meters.version, None, found.kept, sound)
    return np.asarray(sound[place])
