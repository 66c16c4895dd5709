"""Calendar arithmetic of limits: months from an anchor, a day each year, working days.

Months are always added to the anchor date, never to an earlier result, because adding is not
associative: 31 January + 1 month + 1 month is 28 March, + 2 months is 31 March. All dates are
``datetime64[D]``; NaT stands for "no date" and passes through.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.arrays import DateArray, FloatArray

DateLike = ArrayLike | date

NO_DATE = np.datetime64("NaT", "D")
ONE_DAY = np.timedelta64(1, "D")


def dates(given: DateLike) -> DateArray:
    """Anything date-like (text, date, datetime64) as ``datetime64[D]``, same shape."""
    return np.asarray(given, dtype="datetime64[D]")


def on_day(at_d: ArrayLike, utc_offset_d: ArrayLike = 0.0) -> DateArray:
    """
    Local date of instants.

    Parameters
    ----------
    at_d : array_like
        Days since 1970-01-01 00:00 UTC; NaN and ±inf give NaT [d].
    utc_offset_d : array_like, broadcast
        Local time less UTC [d].

    Returns
    -------
    ndarray of datetime64[D]
    """
    local_d = np.asarray(at_d, np.float64) + np.asarray(utc_offset_d, np.float64)
    known = np.isfinite(local_d)
    whole = np.floor(np.where(known, local_d, 0.0)).astype(np.int64)
    return np.where(known, whole.astype("datetime64[D]"), NO_DATE)


def day_number(on: DateLike) -> FloatArray:
    """Days since 1970 as float64, NaN for NaT; the inverse of `on_day` at local midnight."""
    given = dates(on)
    known = ~np.isnat(given)
    number: FloatArray = np.where(known, given, np.datetime64(0, "D")).astype(np.float64)
    return np.where(known, number, np.nan)


def add_months(anchor_on: DateLike, months: ArrayLike) -> DateArray:
    """
    Dates n months after anchors, clipped to the month's end.

    Parameters
    ----------
    anchor_on : array_like of datetime64[D]
        Anchor dates.
    months : array_like, broadcast
        Whole months, may be negative; NaN gives NaT (no limit).

    Returns
    -------
    ndarray of datetime64[D]

    Raises
    ------
    ValueError
        When months are not whole.
    """
    wanted = np.asarray(months, np.float64)
    known = np.isfinite(wanted)
    count = np.where(known, wanted, 0.0).astype(np.int64)
    if (known & (wanted != count)).any():
        raise ValueError("calendar limits are whole months; give days as a tolerance instead")
    anchor = dates(anchor_on)
    month = anchor.astype("datetime64[M]")
    into_month = anchor - month.astype("datetime64[D]")
    return np.where(known, _in_month(month + count.astype("timedelta64[M]"), into_month), NO_DATE)


def _in_month(month: DateArray, into_month: NDArray[np.timedelta64]) -> DateArray:
    first = month.astype("datetime64[D]")
    last = (month + np.timedelta64(1, "M")).astype("datetime64[D]") - ONE_DAY
    return np.minimum(first + into_month, last)


def yearly_by(anchor_on: DateLike, month: ArrayLike, day: ArrayLike) -> DateArray:
    """
    Next day and month of the year strictly after the anchor.

    Parameters
    ----------
    anchor_on : array_like of datetime64[D]
        Anchor dates.
    month, day : array_like of int, broadcast
        Month 1 … 12 and day 1 … 31; a day the month lacks (29 February) is its last day.

    Returns
    -------
    ndarray of datetime64[D]

    Raises
    ------
    ValueError
        When month or day are out of range.
    """
    months, days = np.asarray(month, np.int64), np.asarray(day, np.int64)
    if ((months < 1) | (months > 12) | (days < 1) | (days > 31)).any():
        raise ValueError("a yearly date needs a month from 1 to 12 and a day from 1 to 31")
    anchor = dates(anchor_on)
    january = anchor.astype("datetime64[Y]").astype("datetime64[M]")
    this_year = january + (months - 1).astype("timedelta64[M]")
    into_month = (days - 1).astype("timedelta64[D]")
    here = _in_month(this_year, into_month)
    later = _in_month(this_year + np.timedelta64(12, "M"), into_month)
    return np.where(here > anchor, here, later)


@dataclass(frozen=True)
class WorkingDays:
    """The working days of one depot."""

    week: tuple[bool, ...]  # Monday … Sunday
    closures: DateArray  # days closed although the week says open

    def calendar(self) -> np.busdaycalendar:
        """
        Working days in NumPy's form.

        Raises
        ------
        ValueError
            When the week does not have seven days or none of them is worked.
        """
        if len(self.week) != 7 or not any(self.week):
            raise ValueError("a working week has seven days, Monday first, at least one worked")
        return np.busdaycalendar(weekmask=list(self.week), holidays=dates(self.closures))


def last_working_day(on: DateLike, working: WorkingDays) -> DateArray:
    """
    Last working day not after each date.

    Parameters
    ----------
    on : array_like of datetime64[D]
        Dates; NaT gives NaT.
    working : WorkingDays
        Working days of the depot.

    Returns
    -------
    ndarray of datetime64[D]
    """
    given = dates(on)
    known = ~np.isnat(given)
    result = np.full(given.shape, NO_DATE)
    result[known] = np.busday_offset(given[known], 0, roll="backward", busdaycal=working.calendar())
    return result
