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

from fleet.calc.arrays import DateArray, FloatArray, IntArray
from fleet.calc.calendar import NO_DATE, DateLike, add_months, dates

# A share times its days may miss a whole day by rounding alone.
DAY_SLACK = 1e-9


def limit_total(
    offsets: ArrayLike, begin: ArrayLike, end: ArrayLike, interval: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """
    Life used by a meter, and the total at which it reaches, or first reached, 1.

    Each stretch counts at the interval of the class in force in it, so what takes effect later
    moves no total that was reached before.

    Parameters
    ----------
    offsets : array_like of int, shape (n + 1,)
        Where each row's stretches start; each row has at least one.
    begin, end : array_like, shape (stretches,)
        Total at both ends of each stretch [km or h]; the last one ends at the last accepted
        reading, which may lie before its beginning.
    interval : array_like, shape (stretches,)
        Interval of the class in force [km or h]; NaN where it has no such limit.

    Returns
    -------
    life : ndarray, shape (n,)
        Life used; NaN where no stretch had a limit.
    total : ndarray, shape (n,)
        Total at the limit [km or h]; NaN where the class now in force has no such limit and none
        was reached before.
    """
    starts = np.asarray(offsets, np.int64)
    counts = np.diff(starts)
    first, last = np.asarray(begin, np.float64), np.asarray(end, np.float64)
    allowed = np.asarray(interval, np.float64)
    limited = np.isfinite(allowed)
    share = np.nan_to_num(np.where(limited, (last - first) / allowed, 0.0))
    life, at_limit = np.zeros(counts.size), np.full(counts.size, np.nan)
    reached = np.zeros(counts.size, dtype=bool)
    for step in range(int(counts.max(initial=0))):
        rows = np.flatnonzero(counts > step)
        at = starts[rows] + step
        here = first[at] + (1.0 - life[rows]) * allowed[at]
        at_limit[rows] = np.where(reached[rows], at_limit[rows], here)
        reached[rows] |= here <= last[at]
        life[rows] += share[at]
    row = np.repeat(np.arange(counts.size), counts)
    return np.where(np.bincount(row, limited, counts.size) > 0, life, np.nan), at_limit


def days_allowed(from_on: DateLike, months: ArrayLike) -> FloatArray:
    """Days from each date until so many months later; NaN for no limit."""
    start = dates(from_on)
    return _days(add_months(start, months) - start)


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
