"""Totals of meters at given days, and the instant at which a limit was reached."""

import numpy as np

from fleet import bulk
from fleet.bulk import Array
from fleet.calc import km_at
from fleet.due.gather import Meters

LOOK_BACK_D = 62.0  # readings this long before the limit suffice to draw the line through it


def totals_at(meters: Meters, meter: Array, on_d: Array) -> Array:
    """Total at the start of days, NaN for days before the meter's first known total.

    Days after the last reading take its total: nothing is extrapolated. Class changes fall on
    firsts of months, where totals are kept; a day between two of them lies on the line between.

    Parameters
    ----------
    meter
        Row of the meter of each question, -1 for none, shape (q,).
    on_d
        Days since 1970, shape (q,).
    """
    result = np.full(len(on_d), np.nan)
    asked = np.flatnonzero(meter >= 0)
    # most compartments never changed class: their only day is the anchor, whose total is known
    changed = asked[np.concatenate(([False], np.diff(meter[asked]) == 0))] if len(asked) else asked
    if not len(changed):
        return result
    wanted = np.unique(meter[changed])
    offsets, at_d, km = _known_totals(meters, wanted)
    row = np.searchsorted(wanted, meter[changed])
    last_d = meters.state.last_at_d[meter[changed]]
    asked_d = np.minimum(on_d[changed].astype(np.float64), last_d)
    result[changed] = km_at.km_at(offsets, at_d, km, row, asked_d)
    return result


def _known_totals(meters: Meters, wanted: Array) -> tuple[Array, Array, Array]:
    """Month totals and the last reading of some meters, in CSR form."""
    where, params = bulk.among("meter_id", meters.id[wanted])
    sql = f"""
        SELECT meter_id, {bulk.day_number('"on"')}, total FROM usage_kmat WHERE {where}"""  # noqa: S608
    found = bulk.read(sql, params, {"meter_id": "i8", "on_d": "f8", "total": "f8"})
    owner = np.concatenate((found["meter_id"], meters.id[wanted]))
    at_d = np.concatenate((found["on_d"], meters.state.last_at_d[wanted]))
    km = np.concatenate((found["total"], meters.state.last_km[wanted]))
    return _sorted(owner, at_d, km, meters.id[wanted])


def _sorted(owner: Array, at_d: Array, km: Array, order: Array) -> tuple[Array, Array, Array]:
    by_id = np.argsort(order)
    place = by_id[np.searchsorted(order[by_id], owner)]
    rows = np.lexsort((at_d, place))
    offsets = np.searchsorted(place[rows], np.arange(len(order) + 1))
    return offsets, at_d[rows], km[rows]


def reached_at_d(
    meters: Meters,
    meter: Array,
    left: Array,
    limit_at: Array,
    anchor_on: Array,
    anchor_km: Array,
) -> Array:
    """Instant at which each row's limit was reached; NaN where something is left.

    Interpolated between the accepted readings about it; before the first one, between the
    service that the limit counts from and that reading.
    """
    result = np.full(len(left), np.nan)
    beyond = np.flatnonzero(left <= 0)
    if not len(beyond):
        return result
    readings = _readings_about(meters, meter[beyond], limit_at[beyond])
    own = meters.id[meter[beyond]]
    first = np.searchsorted(readings["meter_id"], own)
    count = np.searchsorted(readings["meter_id"], own, side="right") - first
    row = np.repeat(np.arange(len(beyond)), count)
    pick = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + first[row]
    anchored = np.flatnonzero(~np.isnat(anchor_on[beyond]) & np.isfinite(anchor_km[beyond]))
    owner = np.concatenate((row, anchored))
    at_d = np.concatenate((readings["at_d"][pick], anchor_on[beyond][anchored].astype(np.float64)))
    km = np.concatenate((readings["km"][pick], anchor_km[beyond][anchored]))
    offsets, at_d, km = _sorted(owner, at_d, km, np.arange(len(beyond)))
    found = km_at.reached_at_d(offsets, at_d, km, limit_at[beyond])
    last_d = meters.state.last_at_d[meter[beyond]]
    result[beyond] = np.where(np.isnan(found), last_d, found)
    return result


def _readings_about(meters: Meters, meter: Array, limit_at: Array) -> dict[str, Array]:
    """Accepted readings from a little before each meter's lowest limit on."""
    wanted, row = np.unique(meter, return_inverse=True)
    lowest = np.full(len(wanted), np.inf)
    np.minimum.at(lowest, row, limit_at)
    state = meters.state
    lowest -= LOOK_BACK_D * state.rate_km_per_day[wanted] * np.maximum(state.mu[wanted], 1.0)
    order = np.argsort(meters.id[wanted])
    ids, lowest = meters.id[wanted][order], lowest[order]
    table, params = bulk.pairs(ids, lowest)
    sql = f"""
        SELECT r.meter_id, {bulk.instant_d("r.taken_at")}, r.total
        FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        JOIN readings_reading r ON r.meter_id = w.id AND r.total >= w.figure
        WHERE r.verdict = 'accepted' OR r.moves_base
        ORDER BY r.meter_id, r.taken_at, r.id"""  # noqa: S608
    return bulk.read(sql, params, {"meter_id": "i8", "at_d": "f8", "km": "f8"})
