"""How much of a service's life is used when the duty class changes on the way.

Linear accumulation: each stretch uses the share of the interval that was in force during it, and
the shares add up. A. Palmgren (1924); M. A. Miner, "Cumulative damage in fatigue", Journal of
Applied Mechanics 12 (1945) A159-A164. A van that turns severe half-way has half a severe interval
left.

Stretches come in CSR form: those of row i are ``offsets[i] … offsets[i + 1] − 1``, in order of
time; the first starts at the anchor (the last service, or the start of use).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.calendar import NO_DATE, DateArray, DateLike, add_months, dates

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A share times its days may miss a whole day by rounding alone.
DAY_SLACK = 1e-9


def meter_life(offsets: ArrayLike, used: ArrayLike, interval: ArrayLike) -> FloatArray:
    """
    Life used by distance or by running hours up to the last accepted reading.

    Parameters
    ----------
    offsets : array_like of int, shape (n + 1,)
        Where each row's stretches start.
    used : array_like, shape (stretches,)
        Growth of the meter in each stretch [km or h]; negative where the service was done beyond
        the last accepted reading.
    interval : array_like, shape (stretches,)
        Interval of the class in force [km or h]; NaN where that class has no such limit, which
        uses nothing.

    Returns
    -------
    ndarray, shape (n,)
        Life used, 1 at the limit.
    """
    starts = np.asarray(offsets, np.int64)
    allowed = np.asarray(interval, np.float64)
    limited = np.isfinite(allowed)
    share = np.where(limited, np.asarray(used, np.float64), 0.0) / np.where(limited, allowed, 1.0)
    row = np.repeat(np.arange(starts.size - 1), np.diff(starts))
    return np.bincount(row, share, starts.size - 1).astype(np.float64)


def remaining(life: ArrayLike, interval: ArrayLike) -> FloatArray:
    """
    Distance or running hours left to the limit, in terms of the class in force now.

    Parameters
    ----------
    life : array_like, shape (n,)
        Life used, see `meter_life`.
    interval : array_like, shape (n,)
        Interval of the class in force now [km or h]; NaN for no such limit.

    Returns
    -------
    ndarray, shape (n,)
        Left from the last accepted reading on, negative beyond the limit [km or h]; NaN without
        such a limit.
    """
    left: FloatArray = (1.0 - np.asarray(life, np.float64)) * np.asarray(interval, np.float64)
    return left


def calendar_life(
    offsets: ArrayLike, from_on: DateLike, months: ArrayLike, as_of_on: DateLike
) -> tuple[DateArray, FloatArray]:
    """
    Due date by the calendar and life used by it.

    With one class the due date is exactly the anchor + n months. After a change on day d it is
    ``d + ⌊f·(days from d to d + n months)⌋``, f the share of life left on that day. A limit reached
    before a change stays where it was reached.

    Parameters
    ----------
    offsets : array_like of int, shape (n + 1,)
        Where each row's stretches start; each row has at least one.
    from_on : array_like of datetime64[D], shape (stretches,)
        First day of each stretch, the anchor for the first.
    months : array_like, shape (stretches,)
        Calendar limit of the class in force; NaN where it has none, which uses nothing.
    as_of_on : array_like of datetime64[D], broadcast to (n,)
        Day up to which life counts.

    Returns
    -------
    due_on : ndarray of datetime64[D], shape (n,)
        NaT where the class in force at the end has no calendar limit.
    life : ndarray, shape (n,)
        Life used on that day, never negative; NaN where no stretch had a calendar limit.
    """
    starts = np.asarray(offsets, np.int64)
    counts, from_days = np.diff(starts), dates(from_on)
    allowed = _days(add_months(from_days, months) - from_days)
    until = np.append(from_days[1:], NO_DATE)
    until[starts[1:] - 1] = NO_DATE
    row = np.repeat(np.arange(counts.size), counts)
    as_of = np.broadcast_to(dates(as_of_on), counts.shape)[row]
    life = _shares(row, counts.size, np.fmin(until, as_of) - from_days, allowed)
    due_on = _due_after_changes(starts, from_days, until, allowed)
    return due_on, life


def _days(span: NDArray[np.timedelta64]) -> FloatArray:
    known = ~np.isnat(span)
    whole: FloatArray = np.where(known, span, np.timedelta64(0, "D")).astype(np.float64)
    return np.where(known, whole, np.nan)


def _shares(
    row: IntArray, n: int, span: NDArray[np.timedelta64], allowed: FloatArray
) -> FloatArray:
    limited = np.isfinite(allowed)
    share = np.where(limited, np.maximum(_days(span), 0.0) / np.where(limited, allowed, 1.0), 0.0)
    life = np.bincount(row, share, n)
    return np.where(np.bincount(row, limited, n) > 0, life, np.nan)


def _due_after_changes(
    starts: IntArray, from_on: DateArray, until_on: DateArray, allowed_d: FloatArray
) -> DateArray:
    counts = np.diff(starts)
    left, due_on = np.ones(counts.size), np.full(counts.size, NO_DATE)
    for step in range(int(counts.max(initial=0))):
        rows = np.flatnonzero((counts > step) & (left >= 0))
        at = starts[rows] + step
        whole_d = np.floor(left[rows] * allowed_d[at] + DAY_SLACK)
        due_on[rows] = _later_by(from_on[at], whole_d)
        spent_d = _days(until_on[at] - from_on[at])
        left[rows] -= np.nan_to_num(spent_d / allowed_d[at], nan=0.0)
    return due_on


def _later_by(on: DateArray, whole_d: FloatArray) -> DateArray:
    known = np.isfinite(whole_d)
    days = np.where(known, whole_d, 0.0).astype("timedelta64[D]")
    return np.where(known, on + days, NO_DATE)


def elapsed_share(anchor_on: DateLike, limit_on: DateLike, as_of_on: DateLike) -> FloatArray:
    """
    Life used by a limit on a fixed day ("yearly by"): share of the days since the anchor.

    Parameters
    ----------
    anchor_on, limit_on, as_of_on : array_like of datetime64[D], broadcast
        Anchor, the day of the limit after it, the day up to which life counts.

    Returns
    -------
    ndarray
        Life used, never negative; NaN where a date is missing.
    """
    anchor = dates(anchor_on)
    share: FloatArray = _days(dates(as_of_on) - anchor) / _days(dates(limit_on) - anchor)
    return np.maximum(share, 0.0)


def reported_life(*lives: ArrayLike) -> FloatArray:
    """
    Life used as reported: the largest of those given, 0 at least.

    Parameters
    ----------
    *lives : array_like, shape (n,)
        Life used by distance, hours and calendar; NaN where there is no such limit.

    Returns
    -------
    ndarray, shape (n,)
        NaN where there is no limit at all.
    """
    largest = np.asarray(lives[0], np.float64)
    for life in lives[1:]:
        largest = np.fmax(largest, np.asarray(life, np.float64))
    return np.maximum(largest, 0.0)
