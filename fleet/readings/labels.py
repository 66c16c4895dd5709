"""What the judge says of each reading, as columns of its row, and the writing of what differs."""

import numpy as np
from django.db import connection

from fleet import bulk
from fleet.calc import verdicts
from fleet.calc.arrays import Array
from fleet.calc.verdicts import Judgement
from fleet.readings.earlier import confirmed_km
from fleet.readings.models import Reading, Verdict

VERDICTS = ("", Verdict.ACCEPTED, Verdict.HELD, Verdict.REJECTED)

Columns = dict[str, Array]


def of_rows(rows: Columns, found: Judgement) -> Columns:
    """Columns to write; what a person decided keeps its stored words."""
    kept = found.reason == verdicts.reason_code("kept")
    new = {
        "verdict": np.array(VERDICTS, dtype=object)[found.verdict],
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


def of_changed(found: Judgement) -> Columns:
    """The same of readings judged in an earlier call that are seen otherwise now."""
    changed = found.changed
    ids = np.array([row.reading_id for row in changed])
    return {
        "id": ids,
        "verdict": np.array([VERDICTS[row.verdict] for row in changed], dtype=object),
        "reason": np.array([verdicts.REASONS[row.reason] for row in changed], dtype=object),
        # as the meter shows it, like those of rows
        "suggestion": np.array([row.suggestion_km for row in changed]) - confirmed_km(ids),
        "probability": np.array([row.probability for row in changed]),
        "total": np.array([row.total_km for row in changed]),
        "provisional": np.array([row.provisional for row in changed]),
        "moves_base": np.array([row.moves_base for row in changed]),
    }


def differs(rows: Columns, labels: Columns) -> Array:
    """Of which rows any of these labels is not what is stored."""
    unlike = np.zeros(len(rows["id"]), dtype=bool)
    for name, column in labels.items():
        same = rows[name] == column
        if column.dtype.kind == "f":
            same |= np.isnan(rows[name]) & np.isnan(column)
        unlike |= ~same
    return unlike


def write(rows: Columns, labels: Columns, which: Array) -> int:
    """Write the labels of some of the rows; give the number written."""
    plain = as_read(rows, labels)
    other = which & ~plain
    written = bulk.update(Reading, {name: column[other] for name, column in labels.items()})
    return written + _accept_as_read(rows["id"][which & plain])


def as_read(rows: Columns, labels: Columns) -> Array:
    """Which rows are accepted with nothing said of them: their total is their value."""
    rest = {name: labels[name] for name in labels.keys() - {"verdict", "total"}}
    accepted = (labels["verdict"] == Verdict.ACCEPTED) & (labels["total"] == rows["value_km"])
    return np.asarray(accepted & ~differs(rows, rest))


def _accept_as_read(reading_ids: Array) -> int:
    """Accept readings whose total is their value: none need be handed over for each."""
    if not len(reading_ids):
        return 0
    where, params = bulk.among("id", reading_ids)
    sql = f"""
        UPDATE readings_reading SET verdict = %s, total = COALESCE(settled_value, meter_value)
        WHERE {where}"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, [str(Verdict.ACCEPTED), *params])
        return int(cursor.rowcount)
