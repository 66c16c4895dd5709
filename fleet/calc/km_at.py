"""Total km between accepted readings, and the day a total was reached.

Straight lines between accepted readings; no extrapolation beyond the first and last one. Readings
come in CSR form: those of row i are ``offsets[i] … offsets[i + 1] − 1``, in order of time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import FloatArray, IntArray

ROUNDING_KM = 1e-6  # a limit no further beyond the last reading was reached by it [km or h]


def km_at(
    offsets: ArrayLike, at_d: ArrayLike, km: ArrayLike, row: ArrayLike, asked_d: ArrayLike
) -> FloatArray:
    """
    Total km at instants.

    Parameters
    ----------
    offsets : array_like of int, shape (n + 1,)
        Where each row's readings start.
    at_d, km : array_like, shape (readings,)
        Accepted readings [d since 1970], [km or h].
    row : array_like of int, shape (q,)
        Row of readings each question is about.
    asked_d : array_like, shape (q,)
        Instants asked for [d since 1970].

    Returns
    -------
    ndarray, shape (q,)
        Total km [km or h]; NaN before the first and after the last reading.
    """
    times, totals = np.asarray(at_d, np.float64), np.asarray(km, np.float64)
    asked = np.asarray(asked_d, np.float64)
    first, last = _ends(offsets, row)
    at = _first_not_below(times, first, last, asked)
    result = np.full(asked.shape, np.nan)
    # Past its last entry a row finds the entry after it, possibly past the end of them all.
    found = np.flatnonzero(at <= last)
    inside = found[(at[found] > first[found]) | (times[at[found]] == asked[found])]
    result[inside] = _between(times, totals, first[inside], at[inside], asked[inside])
    return result


def reached_at_d(
    offsets: ArrayLike, at_d: ArrayLike, km: ArrayLike, limit_km: ArrayLike
) -> FloatArray:
    """
    Instant at which each row's total reached a limit.

    Parameters
    ----------
    offsets : array_like of int, shape (n + 1,)
        Where each row's readings start.
    at_d, km : array_like, shape (readings,)
        Accepted readings [d since 1970], [km or h].
    limit_km : array_like, shape (n,) or (n, k)
        Totals asked for [km or h].

    Returns
    -------
    ndarray, shape (n,) or (n, k)
        Instant [d since 1970]; the first reading's where that was beyond the limit already, NaN
        where no reading has reached it.
    """
    times = np.asarray(at_d, np.float64)
    asked = np.asarray(limit_km, np.float64)
    limit = asked.ravel()
    # A total may fall by the rounding of an entry; what was reached stays reached.
    starts = np.asarray(offsets, np.int64)
    totals = _running_maximum(starts, np.asarray(km, np.float64))
    row = np.repeat(np.arange(starts.size - 1), asked.size // max(len(asked), 1))
    first, last = _ends(starts, row)
    read = np.flatnonzero(first <= last)
    newest_km = totals[last[read]]
    limit = limit.copy()
    near = limit[read] <= newest_km + ROUNDING_KM
    limit[read] = np.where(near, np.minimum(limit[read], newest_km), limit[read])
    at = _first_not_below(totals, first, last, limit)
    result = np.full(limit.shape, np.nan)
    inside = np.flatnonzero((first <= last) & (at <= last))
    result[inside] = _between(totals, times, first[inside], at[inside], limit[inside])
    return result.reshape(asked.shape)


def _ends(offsets: ArrayLike, row: ArrayLike) -> tuple[IntArray, IntArray]:
    starts, rows = np.asarray(offsets, np.int64), np.asarray(row, np.int64)
    return starts[rows], starts[rows + 1] - 1


def _first_not_below(
    values: FloatArray, first: IntArray, last: IntArray, asked: FloatArray
) -> IntArray:
    """Find per question the first entry of its row that is >= asked, last + 1 if none."""
    low, high = first.copy(), last + 1
    for _ in range(int(values.size).bit_length()):
        open_ = low < high
        middle = (low + high) // 2
        below = open_ & (values[np.minimum(middle, values.size - 1)] < asked)
        low = np.where(below, middle + 1, low)
        high = np.where(open_ & ~below, middle, high)
    return low


def _running_maximum(starts: IntArray, values: FloatArray) -> FloatArray:
    result = values.copy()
    counts = np.diff(starts)
    for step in range(1, int(counts.max(initial=0))):
        here = starts[:-1][counts > step] + step
        result[here] = np.maximum(result[here], result[here - 1])
    return result


def _between(
    source: FloatArray, target: FloatArray, first: IntArray, at: IntArray, asked: FloatArray
) -> FloatArray:
    """Go along the line that ends at entry ``at``; the entry itself at the row's beginning."""
    before = np.maximum(at - 1, first)
    span = source[at] - source[before]
    share = np.where(span > 0, (asked - source[before]) / np.where(span > 0, span, 1.0), 1.0)
    return np.asarray(target[before] + share * (target[at] - target[before]))
