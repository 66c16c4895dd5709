"""Totals of meters at given days, and the instant at which a limit was reached."""

import numpy as np

from fleet import bulk
from fleet.calc import km_at
from fleet.calc.arrays import Array, DateArray, FloatArray, IntArray
from fleet.due.gather import Meters
from fleet.due.neighbours import neighbours

FAR = 2.0**20  # more than any number of a day
DIP = 10.0  # an accepted total may fall by its rounding; by no more than this [km or h]; our choice
NEVER_D = 2.0**17  # a day that no reading is of [d]


def totals_at(
    meters: Meters, meter: IntArray, on_d: Array, anchor_on: DateArray, anchor: FloatArray
) -> Array:
    """Total at the start of days, on the line between the accepted readings about each.

    Days after the last reading take its total: nothing is extrapolated. Before the first reading
    the line begins at the service that limits count from. First days of months are kept; others
    are read.

    Parameters
    ----------
    meter
        Row of the meter of each question, -1 for none, shape (q,).
    on_d
        Days since 1970, shape (q,).
    anchor_on, anchor
        Day (datetime64[D]) and total of the service that limits count from, shape (q,).
    """
    result = np.full(len(on_d), np.nan)
    asked = np.flatnonzero(meter >= 0)
    if not len(asked):
        return result
    own = meter[asked]
    asked_d = np.minimum(on_d[asked].astype(np.float64), meters.state.last_at_d[own])
    totals = _kept(meters, own, asked_d)
    missing = np.flatnonzero(np.isnan(totals))
    totals[missing] = _read(
        meters.id[own[missing]],
        asked_d[missing],
        anchor_on[asked][missing],
        anchor[asked][missing],
    )
    result[asked] = totals
    return result


def _kept(meters: Meters, meter: IntArray, asked_d: FloatArray) -> Array:
    """Totals kept for just these days, NaN for others."""
    wanted = np.unique(meter)
    offsets, at_d, km = _known_totals(meters, wanted)
    known = np.repeat(np.arange(len(wanted)), np.diff(offsets)) * FAR + at_d
    asked = np.searchsorted(wanted, meter) * FAR + asked_d
    at = np.minimum(np.searchsorted(known, asked), len(known) - 1)
    return np.where(known[at] == asked, km[at], np.nan)


def _read(
    meter_id: IntArray, asked_d: FloatArray, anchor_on: DateArray, anchor: FloatArray
) -> Array:
    """Totals on the line between the readings about each instant, or from the anchor."""
    about = neighbours(meter_id, asked_d)
    anchor_d = anchor_on.astype(np.float64)
    anchored = ~np.isnat(anchor_on) & np.isfinite(anchor) & (anchor_d <= asked_d)
    nearer = anchored & ~(about.before_d >= anchor_d)
    before_d = np.where(nearer, anchor_d, about.before_d)
    before = np.where(nearer, anchor, about.before)
    span_d = about.after_d - before_d
    share = np.where(span_d > 0, (asked_d - before_d) / np.where(span_d > 0, span_d, 1.0), 1.0)
    return np.asarray(before + share * (about.after - before))


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


def _sorted(
    owner: IntArray, at_d: FloatArray, km: FloatArray, order: IntArray
) -> tuple[Array, Array, Array]:
    by_id = np.argsort(order)
    place = by_id[np.searchsorted(order[by_id], owner)]
    rows = np.lexsort((at_d, place))
    offsets = np.searchsorted(place[rows], np.arange(len(order) + 1))
    return offsets, at_d[rows], km[rows]


def reached_at_d(
    meters: Meters,
    meter: IntArray,
    left: FloatArray,
    limit_at: FloatArray,
    anchor_on: DateArray,
    anchor_km: FloatArray,
) -> Array:
    """Instant at which each row's limit was reached; NaN where something is left.

    Interpolated between the accepted readings about it; before the first one, between the
    service that the limit counts from and that reading.
    """
    result = np.full(len(left), np.nan)
    beyond = np.flatnonzero(left <= 0)
    if not len(beyond):
        return result
    own = np.stack((meters.id[meter[beyond]].astype(np.float64), limit_at[beyond]))
    asked, which = np.unique(own, axis=1, return_inverse=True)
    first, readings = _readings_about(asked[0].astype(np.int64), asked[1])
    count = np.diff(first)[which.ravel()]
    row = np.repeat(np.arange(len(beyond)), count)
    begin = first[:-1][which.ravel()] - (np.cumsum(count) - count)
    pick = np.arange(len(row)) + np.repeat(begin, count)
    anchored = np.flatnonzero(~np.isnat(anchor_on[beyond]) & np.isfinite(anchor_km[beyond]))
    owner = np.concatenate((row, anchored))
    at_d = np.concatenate((readings["at_d"][pick], anchor_on[beyond][anchored].astype(np.float64)))
    km = np.concatenate((readings["km"][pick], anchor_km[beyond][anchored]))
    offsets, at_d, km = _sorted(owner, at_d, km, np.arange(len(beyond)))
    found = km_at.reached_at_d(offsets, at_d, km, limit_at[beyond])
    last_d = meters.state.last_at_d[meter[beyond]]
    result[beyond] = np.where(np.isnan(found), last_d, found)
    return result


def _readings_about(meter_id: IntArray, limit_at: FloatArray) -> tuple[Array, dict[str, Array]]:
    """Accepted readings of the months in which each total was reached, in CSR form.

    Meters with their totals come in order. Totals at firsts of months say which months those are,
    so a long history is not read. The reading before them and the one after them come along.
    """
    table, params = bulk.pairs(meter_id, limit_at)
    usable = "(r.verdict = 'accepted' OR r.moves_base)"
    day = bulk.as_instant(bulk.day_number('k."on"'))
    passed = (
        f"(SELECT MIN({day}) FROM usage_kmat k WHERE k.meter_id = a.id "  # noqa: S608
        f"AND k.total > a.figure + {DIP} AND (a.since IS NULL OR {day} > a.since))"
    )
    sql = f"""
        WITH asked AS MATERIALIZED (
            SELECT ROW_NUMBER() OVER (ORDER BY w.id, w.figure) - 1 AS place, w.id, w.figure, (
                SELECT MAX({day}) FROM usage_kmat k
                WHERE k.meter_id = w.id AND k.total < w.figure - {DIP}) AS since
            FROM {table} AS w{"(id, figure)" if bulk.on_postgres() else ""}
        ), months AS MATERIALIZED (
            SELECT a.place, a.id, {_nearest("<=", "DESC", "a.since")} AS since,
                {_nearest(">=", "ASC", passed)} AS until
            FROM asked a
        )
        SELECT m.place, {bulk.instant_d("r.taken_at")}, r.total
        FROM months m JOIN readings_reading r ON r.meter_id = m.id
        WHERE {usable} AND r.taken_at >= COALESCE(m.since, {bulk.as_instant("0")})
            AND r.taken_at <= COALESCE(m.until, {bulk.as_instant(f"{NEVER_D}")})
        ORDER BY m.place, r.taken_at, r.id"""  # noqa: S608
    found = bulk.read(sql, params, {"place": "i8", "at_d": "f8", "km": "f8"})
    return np.searchsorted(found["place"], np.arange(len(meter_id) + 1)), found


def _nearest(compare: str, order: str, instant: str) -> str:
    """SQL for the instant of the accepted reading nearest to an instant on one side."""
    return (
        "(SELECT r.taken_at FROM readings_reading r WHERE r.meter_id = a.id "  # noqa: S608
        f"AND (r.verdict = 'accepted' OR r.moves_base) AND r.taken_at {compare} {instant} "
        f"ORDER BY r.taken_at {order} LIMIT 1)"
    )
