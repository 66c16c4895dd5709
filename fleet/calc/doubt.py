"""Whether a total that somebody wrote down can have stood on that day.

A meter never falls, and between two accepted readings it covers what they say. After the last one
the usage filter says how far it can have come, and before the first one it stood no higher.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import KM_PER_MILE, FloatArray

SLACK = 0.03  # of the distance between the neighbours: days are not exact; our choice
ROUNDING = 2.0  # figures are noted in whole km, h or miles, and of two each may be rounded
BAND = np.array([0.025, 0.975])  # our choice


def allowed(
    before: ArrayLike, after: ArrayLike, ahead_low: ArrayLike, ahead_high: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """
    Totals that the readings around a day allow on it.

    Parameters
    ----------
    before, after : array_like, shape (n,)
        Total at the last accepted reading before the day, and at the first one after it
        [km or h]; NaN where there is none.
    ahead_low, ahead_high : array_like, shape (n,)
        Totals between which the meter likely stood that day, read where nothing follows the day
        [km or h]; NaN where nothing is known.

    Returns
    -------
    low, high : ndarray, shape (n,)
        Least and most [km or h]; 0 and inf where nothing is known.
    """
    earlier, later = np.asarray(before, np.float64), np.asarray(after, np.float64)
    slack = np.fmax(SLACK * np.abs(later - earlier), ROUNDING)
    # two facts that contradict each other allow what lies between them
    low = np.where(np.isnan(earlier), 0.0, np.fmin(earlier, later) - slack)
    high = np.where(np.isnan(later), np.inf, np.fmax(earlier, later) + slack)
    least, most = np.asarray(ahead_low, np.float64), np.asarray(ahead_high, np.float64)
    beyond = np.isnan(later) & np.isfinite(most)
    low = np.where(beyond, np.nan_to_num(np.where(np.isnan(least), earlier, least)) - ROUNDING, low)
    high = np.where(beyond, most + ROUNDING, high)
    return np.maximum(low, 0.0), high


def believable(total: ArrayLike, last: ArrayLike, most_since: ArrayLike) -> FloatArray:
    """
    Totals at services, no further ahead of the last accepted reading than the meter can have come.

    Parameters
    ----------
    total, last : array_like, shape (n,)
        Total noted at the service, and at the last accepted reading [km or h]; NaN for none.
    most_since : array_like, shape (n,)
        Most that the meter can have come from the reading to the day of the service; 0 for a
        service that is no later [km or h].

    Returns
    -------
    ndarray, shape (n,)
        NaN where none was noted.
    """
    noted = np.asarray(total, np.float64)
    most = np.asarray(last, np.float64) + np.asarray(most_since, np.float64)
    return np.where(noted > most, most, noted)


def slips(total: float, low: float, high: float) -> list[tuple[float, str]]:
    """Say what may have been meant by a total that is not allowed, as value and words [km or h]."""
    meant = [
        (total / 10, "one digit too many"),
        (total * 10, "one digit lost"),
        (total * KM_PER_MILE, "noted in miles"),
        (total / KM_PER_MILE, "converted from miles twice"),
    ]
    return [(value, words) for value, words in meant if low <= value <= high]


def odd_ones_out(day: Sequence[float], total: Sequence[float], most_per_day: float) -> list[int]:
    """
    Totals of one meter that cannot be true together with most of the others.

    The longest run of totals that never falls and never gains more than possible is believed.

    Parameters
    ----------
    day, total
        Days [d] and totals [km or h], in order of day.
    most_per_day
        Most that the meter gains in a day [km/d or h/d].

    Returns
    -------
    list of int
        Places of those left out, in order.
    """
    length, previous = [1] * len(day), [-1] * len(day)
    for at in range(len(day)):
        for earlier in range(at):
            fits = _follows(total[at] - total[earlier], day[at] - day[earlier], most_per_day)
            if fits and length[earlier] + 1 > length[at]:
                length[at], previous[at] = length[earlier] + 1, earlier
    at = max(range(len(day)), key=length.__getitem__, default=-1)
    believed = set()
    while at >= 0:
        believed.add(at)
        at = previous[at]
    return [place for place in range(len(day)) if place not in believed]


def _follows(gained: float, days: float, most_per_day: float) -> bool:
    if days == 0:  # two entries of one day come in any order
        return abs(gained) <= most_per_day
    return -ROUNDING <= gained <= most_per_day * (days + 1)
