"""What a due date means on a given day: the state of a service, and when to bring the vehicle in.

"Today" is the depot's local date, always given by the caller.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.calendar import DateArray, DateLike, WorkingDays, dates, last_working_day

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WIDE_BAND_D = 60  # a wider band says "take a reading first" [d]; our choice


class DueState(IntEnum):
    """State of a service, in the order in which they are decided."""

    HISTORY_UNKNOWN = 0
    OVERDUE = 1
    PROBABLY_OVERDUE = 2
    DUE_THIS_MONTH = 3
    LATER = 4


def states(
    history_known: ArrayLike,
    calendar_on: DateLike,
    beyond_by_reading: ArrayLike,
    expected_on: DateLike,
    today: DateLike,
) -> IntArray:
    """
    State of each service today; the first that holds.

    Parameters
    ----------
    history_known : array_like of bool, shape (n,)
        The last service, or the start of use, is known.
    calendar_on : array_like of datetime64[D], shape (n,)
        Calendar limits, NaT for none.
    beyond_by_reading : array_like of bool, shape (n,)
        An accepted reading lies beyond the limit.
    expected_on : array_like of datetime64[D], shape (n,)
        Expected (50:50) due dates, NaT for none in sight.
    today : array_like of datetime64[D], broadcast to (n,)
        The depots' local dates.

    Returns
    -------
    ndarray of int, shape (n,)
        See `DueState`.
    """
    now, expected = dates(today), dates(expected_on)
    next_month = now.astype("datetime64[M]") + np.timedelta64(1, "M")
    overdue = (dates(calendar_on) < now) | np.asarray(beyond_by_reading, np.bool_)
    unknown = ~np.asarray(history_known, np.bool_)
    this_month = expected < next_month.astype("datetime64[D]")
    held = np.stack(np.broadcast_arrays(unknown, overdue, expected < now, this_month))
    return np.where(held.any(axis=0), held.argmax(axis=0), DueState.LATER).astype(np.int64)


def nearly_certain(state: ArrayLike, latest_on: DateLike, today: DateLike) -> BoolArray:
    """
    Of the probably overdue ones, those whose latest likely date has passed too.

    Parameters
    ----------
    state : array_like of int, shape (n,)
        See `states`.
    latest_on : array_like of datetime64[D], shape (n,)
        Latest likely due dates.
    today : array_like of datetime64[D], broadcast to (n,)
        The depots' local dates.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    probably = np.asarray(state, np.int64) == DueState.PROBABLY_OVERDUE
    result: BoolArray = probably & (dates(latest_on) < dates(today))
    return result


def out_of_tolerance(
    beyond_by_reading: ArrayLike, tolerance_until_on: DateLike, today: DateLike
) -> BoolArray:
    """
    Flag services beyond their tolerance.

    Parameters
    ----------
    beyond_by_reading : array_like of bool, shape (n,)
        An accepted reading lies beyond limit and tolerance.
    tolerance_until_on : array_like of datetime64[D], shape (n,)
        Calendar limit and its tolerance, NaT for none.
    today : array_like of datetime64[D], broadcast to (n,)
        The depots' local dates.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    beyond = np.asarray(beyond_by_reading, np.bool_)
    result: BoolArray = beyond | (dates(tolerance_until_on) < dates(today))
    return result


def bring_in_by(
    due_on: DateLike,
    calendar_on: DateLike,
    visit_on: DateLike,
    working: Sequence[WorkingDays],
    depot: ArrayLike,
) -> tuple[DateArray, BoolArray]:
    """
    Day by which to bring each vehicle in.

    The visit's day if one is planned, else the last working day not after the earliest likely due
    date; never after the calendar limit.

    Parameters
    ----------
    due_on : array_like of datetime64[D], shape (n, 3)
        Earliest likely, expected and latest likely due dates.
    calendar_on : array_like of datetime64[D], shape (n,)
        Calendar limits, NaT for none.
    visit_on : array_like of datetime64[D], shape (n,)
        Planned visits, NaT for none.
    working : sequence of WorkingDays
        Working days of each depot.
    depot : array_like of int, shape (n,)
        Place of each row's depot in ``working``.

    Returns
    -------
    by_on : ndarray of datetime64[D], shape (n,)
        NaT where nothing is due within sight.
    reading_first : ndarray of bool, shape (n,)
        The band is too wide to act on: take a reading first.
    """
    band, visit = dates(due_on), dates(visit_on)
    latest_on = np.fmin(band[:, 0], dates(calendar_on))
    depots = np.asarray(depot, np.int64)
    by_on = latest_on.copy()
    for place in np.unique(depots):
        rows = np.flatnonzero(depots == place)
        by_on[rows] = last_working_day(latest_on[rows], working[place])
    kept = ~np.isnat(visit) & ~(visit > dates(calendar_on))
    width_d = band[:, 2] - band[:, 0]
    # Without a latest likely date the band has no end: as wide as can be.
    endless = ~np.isnat(band[:, 0]) & np.isnat(band[:, 2])
    wide: BoolArray = endless | (width_d > np.timedelta64(WIDE_BAND_D, "D"))
    return np.where(kept, visit, by_on), wide
