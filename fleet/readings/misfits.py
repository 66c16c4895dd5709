"""Hold back-dated readings that do not fit between their accepted neighbours in time."""

import numpy as np

from fleet import bulk
from fleet.calc import verdicts
from fleet.calc.arrays import Array
from fleet.readings.models import Reading, Verdict


def hold_misfits(rows: dict[str, Array], late: Array, top_km_per_day: Array, grain: Array) -> None:
    """Hold those of the late readings that nobody can have driven.

    Parameters
    ----------
    rows
        Columns of pending readings: id, at_d [d], value_km and confirmed_km [km or h].
    late
        Places of those that are older than their meter's last accepted one.
    top_km_per_day, grain
        Of each reading's meter: the most it can cover in a day, 1 or .1.
    """
    if not len(late):
        return
    near = _neighbours(rows["id"][late])
    value = rows["value_km"][late] + rows["confirmed_km"][late]
    fits = verdicts.fits_between(
        rows["at_d"][late],
        value,
        near["before_d"],
        near["before_km"],
        near["after_d"],
        near["after_km"],
        top_km_per_day[late],
        grain[late],
    )
    # what carries a verdict of its own is left to the replay: it would be rejected there anyway
    ids = rows["id"][late][~fits & np.isfinite(value) & (value >= 0)]
    held = np.full(len(ids), str(Verdict.HELD), dtype=object)
    reason = np.full(len(ids), "out_of_order", dtype=object)
    bulk.update(Reading, {"id": ids, "fixed": held, "verdict": held, "reason": reason})


def _neighbours(reading_ids: Array) -> dict[str, Array]:
    """Accepted readings next to some, one row each in their order; NaN where there is none."""
    where, params = bulk.among("r.id", reading_ids)

    def nearest(side: str, order: str) -> str:
        return (
            "(SELECT k.id FROM readings_reading k WHERE k.meter_id = r.meter_id "  # noqa: S608
            f"AND k.verdict = 'accepted' AND k.taken_at {side} r.taken_at "
            f"ORDER BY k.taken_at {order}, k.id {order} LIMIT 1)"
        )

    # found first and joined then: else PostgreSQL looks for them again for every pair of rows
    sql = f"""
        WITH n AS MATERIALIZED (
            SELECT r.id, {nearest("<", "DESC")} AS before, {nearest(">=", "ASC")} AS after
            FROM readings_reading r WHERE {where}
        )
        SELECT n.id, {bulk.instant_d("b.taken_at")}, b.total,
            {bulk.instant_d("a.taken_at")}, a.total
        FROM n
        LEFT JOIN readings_reading b ON b.id = n.before
        LEFT JOIN readings_reading a ON a.id = n.after
        ORDER BY n.id"""  # noqa: S608
    names = dict.fromkeys(("before_d", "before_km", "after_d", "after_km"), "f8")
    found = bulk.read(sql, params, {"id": "i8"} | names)
    place = np.searchsorted(found["id"], reading_ids)
    return {name: found[name][place] for name in names}
