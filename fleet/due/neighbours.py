"""The accepted readings last before an instant and first after it."""

from dataclasses import dataclass

import numpy as np

from fleet import bulk
from fleet.bulk import Array


@dataclass(frozen=True)
class Neighbours:
    """Instants [d] and totals [km or h] about each question, NaN where there is no reading."""

    before_d: Array
    before: Array
    after_d: Array
    after: Array


def neighbours(meter_id: Array, at_d: Array, span_d: float = 0.0) -> Neighbours:
    """Readings before an instant, and those no earlier than so much after it.

    Parameters
    ----------
    meter_id, at_d
        Meter and instant of each question, shape (n,) [d since 1970 UTC].
    span_d
        Readings within so much after the instant count as neither [d].
    """
    if not len(meter_id):
        return Neighbours(*np.empty((4, 0)))
    keys = np.stack((meter_id.astype(np.float64), at_d))
    keys, which = np.unique(keys, axis=1, return_inverse=True)
    found = _read(keys[0].astype(np.int64), keys[1], span_d)
    return Neighbours(*(column[which.ravel()] for column in found.values()))


def _read(meter_id: Array, at_d: Array, span_d: float) -> dict[str, Array]:
    table, params = bulk.pairs(meter_id, at_d)
    listed = "(id, figure)" if bulk.on_postgres() else ""

    def nearest(where: str, order: str) -> str:
        return (
            f"(SELECT r.id FROM readings_reading r WHERE r.meter_id = w.id AND {where} "  # noqa: S608
            "AND (r.verdict = 'accepted' OR r.moves_base) "
            f"ORDER BY r.taken_at {order}, r.id {order} LIMIT 1)"
        )

    before = nearest(f"r.taken_at < {bulk.as_instant('w.figure')}", "DESC")
    after = nearest(f"r.taken_at >= {bulk.as_instant(f'w.figure + {span_d}')}", "ASC")
    sql = f"""
        SELECT {bulk.instant_d("b.taken_at")}, b.total, {bulk.instant_d("a.taken_at")}, a.total
        FROM (SELECT w.id, w.figure, {before} AS before, {after} AS after
            FROM {table} AS w{listed}) n
        LEFT JOIN readings_reading b ON b.id = n.before
        LEFT JOIN readings_reading a ON a.id = n.after
        ORDER BY n.id, n.figure"""  # noqa: S608
    return bulk.read(sql, params, dict.fromkeys(("b_d", "b_km", "a_d", "a_km"), "f8"))
