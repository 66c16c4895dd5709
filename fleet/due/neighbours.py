"""The accepted readings last before an instant and first after it."""

from dataclasses import dataclass

import numpy as np

from fleet import bulk
from fleet.calc.arrays import Array, FloatArray, IntArray

# since an offset that nobody has confirmed: from the last reading before it to where it began
GUESSED = """COALESCE((
                SELECT m.total - (
                    SELECT p.total FROM readings_reading p
                    WHERE p.meter_id = m.meter_id AND p.taken_at < m.taken_at
                        AND p.verdict = 'accepted'
                    ORDER BY p.taken_at DESC, p.id DESC LIMIT 1)
                FROM readings_reading m
                WHERE m.meter_id = COALESCE(a.meter_id, b.meter_id) AND m.moves_base
                    AND m.taken_at <= COALESCE(a.taken_at, b.taken_at)
                ORDER BY m.taken_at DESC, m.id DESC LIMIT 1), 0)"""


@dataclass(frozen=True)
class Neighbours:
    """Instants [d] and totals [km or h] about each question, NaN where there is no reading."""

    before_d: FloatArray
    before: FloatArray
    after_d: FloatArray
    after: FloatArray
    guessed: FloatArray  # how much of both was never read but taken as usual, 0 for none [km or h]


def neighbours(meter_id: IntArray, at_d: FloatArray, span_d: float = 0.0) -> Neighbours:
    """Readings before an instant, and those no earlier than so much after it.

    Parameters
    ----------
    meter_id, at_d
        Meter and instant of each question, shape (n,) [d since 1970 UTC].
    span_d
        Readings within so much after the instant count as neither [d].
    """
    if not len(meter_id):
        return Neighbours(*np.empty((5, 0)))
    keys = np.stack((meter_id.astype(np.float64), at_d))
    keys, which = np.unique(keys, axis=1, return_inverse=True)
    found = _read(keys[0].astype(np.int64), keys[1], span_d)
    return Neighbours(*(column[which.ravel()] for column in found.values()))


def _read(meter_id: IntArray, at_d: FloatArray, span_d: float) -> dict[str, Array]:
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
    # found first and joined then: else PostgreSQL looks for them again for every pair of rows
    sql = f"""
        WITH n AS MATERIALIZED (
            SELECT w.id, w.figure, {before} AS before, {after} AS after FROM {table} AS w{listed}
        )
        SELECT {bulk.instant_d("b.taken_at")}, b.total, {bulk.instant_d("a.taken_at")}, a.total,
            CASE WHEN a.provisional OR b.provisional THEN {GUESSED} ELSE 0 END
        FROM n
        LEFT JOIN readings_reading b ON b.id = n.before
        LEFT JOIN readings_reading a ON a.id = n.after
        ORDER BY n.id, n.figure"""  # noqa: S608
    return bulk.read(sql, params, dict.fromkeys(("b_d", "b_km", "a_d", "a_km", "guessed"), "f8"))
