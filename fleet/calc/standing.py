"""Vehicles that stand: when one counts as laid up, and how long it may go on.

A vehicle that stands is probably out of service, not slow, and how long it will stand nobody
knows: a spell that has lasted lasts longer. So standing teaches little about usage, and dates of
a standing vehicle move out with the days that it may still stand.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import FloatArray

# Measured on five real sets (buses, a municipal fleet, cars, bicycles): teaching nothing at all
# gains a little on some of them and loses more on others.
HARDLY = 0.1  # less than so much of the distance expected is standing
SURPRISE_SD = 1.5  # and it begins only with a shortfall of so many standard deviations
LESSON = 0.3  # weight of what is seen while standing, 1 for a running vehicle
LOST_SHARE = 0.005  # of the days ahead, that spells to come cost in the long run
SPELL_D = 30.0  # size of a spell [d]; also how long a new one counts as having lasted


def days_left(idle_d: FloatArray, levels: ArrayLike) -> FloatArray:
    """
    Days that standing meters stand on, at each level.

    ``(idle + 30)·((1 − p)^(−1/2) − 1)``, and none for a running meter.

    Parameters
    ----------
    idle_d : ndarray, shape (n,)
        Days each has stood so far, 0 for a running one [d].
    levels : array_like, shape (k,)
        Probabilities, from 0 to below 1.

    Returns
    -------
    ndarray, shape (n, k)
        Days [d].
    """
    longer = 1 / np.sqrt(1.0 - np.asarray(levels, np.float64)) - 1
    begun: FloatArray = np.where(idle_d > 0, idle_d + SPELL_D, 0.0)
    return begun[:, None] * longer


def lost_share(h_d: FloatArray) -> FloatArray:
    """Share of the next h days that spells to come are expected to cost, same shape as h."""
    return np.asarray(LOST_SHARE * h_d / (h_d + SPELL_D))
