"""Which fill was in a compartment at an instant, and how old it was."""

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import FloatArray, IntArray

NONE = -1
SPAN_D = 1e6  # far more days than any calendar here


def newest(
    owner: ArrayLike, at_d: ArrayLike, asked_owner: ArrayLike, asked_d: ArrayLike
) -> IntArray:
    """
    Find the newest event of each owner not after an instant.

    Parameters
    ----------
    owner, at_d : array_like, shape (events,)
        Whose each event is, and when [d since 1970], in order of owner and time.
    asked_owner, asked_d : array_like, shape (q,)
        Owner and instant asked about [d since 1970].

    Returns
    -------
    ndarray of int, shape (q,)
        Row of the event, -1 where there is none.
    """
    owners, wanted = np.asarray(owner, np.int64), np.asarray(asked_owner, np.int64)
    # One rising key instead of two: whole owners are far apart, days lie between them.
    keys = owners * SPAN_D + np.asarray(at_d, np.float64)
    row = np.searchsorted(keys, wanted * SPAN_D + np.asarray(asked_d, np.float64), "right") - 1
    if not owners.size:
        return np.full(wanted.shape, NONE)
    return np.where((row >= 0) & (owners[row] == wanted), row, NONE)


def age(since: ArrayLike, now: ArrayLike) -> FloatArray:
    """
    Subtract what was there at the change; never below 0, NaN where either is not known.

    Parameters
    ----------
    since, now : array_like, shape (q,)
        Total km, or days since 1970, at the change and when asked.

    Returns
    -------
    ndarray, shape (q,)
        [km] or [d].
    """
    return np.asarray(np.maximum(np.asarray(now, np.float64) - np.asarray(since, np.float64), 0))
