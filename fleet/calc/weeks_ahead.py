"""How much work each vehicle adds to the weeks ahead, in sums from which it can be taken again.

Of every service only the next time counts. Its due date has 99 equally likely levels, the earliest
first, so what falls into a week is a run of levels. Vehicles of a class share a factor (see
`fleet.calc.common_factor`); under each of its values they are independent, so that means and
variances add up. They are kept as whole numbers, which come out the same in whatever order
vehicles are added and taken away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.common_factor import MOST_RHO, NODES, RHO_STEP, nodes, probability_up_to
from fleet.calc.level_paths import LEVELS

PER_UNIT = 2**20  # parts that a unit is counted in; our choice
COUNT, VARIANCES, MEANS = 0, slice(1, 3), slice(3, None)  # columns of sums
WIDTH = 3 + 2 * NODES


@dataclass(frozen=True)
class Runs:
    """Services (r) of vehicles (v) in weeks (w), the services of one vehicle beside each other."""

    vehicle: IntArray  # (r,) row of the vehicle, rising
    minutes: IntArray  # (r,) of labour [min]
    before: IntArray  # (r, w) levels that fall due before the end of each week, 0 to 99
    rho: IntArray  # (v, w) correlation with the common factor, in steps of 0.02


def sums(runs: Runs, group: IntArray, groups: int) -> IntArray:
    """
    Add up what vehicles of each class bring into each week.

    Parameters
    ----------
    runs : Runs
    group : ndarray of int, shape (v,)
        Row of the class of each vehicle.
    groups : int
        Number of classes.

    Returns
    -------
    ndarray of int64, shape (groups, w, WIDTH)
        Vehicles with a part in the week; variances of minutes and services, given the factor and
        on average over it; and their means under each value of the factor. All but the first in
        2^-20 min or services, the variances squared.
    """
    begin = np.hstack((np.zeros((len(runs.before), 1), dtype=np.int64), runs.before[:, :-1]))
    week, row = np.nonzero((runs.before > begin).T)
    found = np.zeros((groups, runs.before.shape[1], WIDTH), dtype=np.int64)
    if not row.size:
        return found
    owner = week * len(runs.rho) + runs.vehicle[row]  # services of one vehicle in one week
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    rho = runs.rho[runs.vehicle[row], week]
    own = runs.minutes[row], begin[row, week], runs.before[row, week], rho
    cell = group[runs.vehicle[row[starts]]] * runs.before.shape[1] + week[starts]
    order = np.argsort(cell)
    lead = np.flatnonzero(np.diff(cell[order], prepend=-1))
    added = np.add.reduceat(_of_each(starts, *own)[order], lead)
    found.reshape(-1, WIDTH)[cell[order[lead]]] = added
    return found


def _of_each(
    starts: IntArray, minutes: IntArray, begin: IntArray, end: IntArray, rho: IntArray
) -> IntArray:
    """Columns of ``sums`` for each vehicle in each week that it has a part in."""
    up_to = _up_to()
    weight = np.stack((minutes, np.ones_like(minutes)), axis=1).astype(np.float64)  # (r, 2)
    share = up_to[rho, end] - up_to[rho, begin]  # (r, nodes)
    place = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(minutes)))
    number = np.arange(len(minutes)) - starts[place]  # of a vehicle's services in the week
    mean, second = _weighed(starts, weight, share)
    for later in range(1, int(number.max()) + 1):
        rows = np.flatnonzero(number == later)
        more, squares = _weighed(rows, weight, share)
        mean[place[rows]] += more
        second[place[rows]] += squares
    for apart in range(1, int(number.max()) + 1):
        low, high = np.maximum(begin[apart:], begin[:-apart]), np.minimum(end[apart:], end[:-apart])
        one = np.flatnonzero((place[apart:] == place[:-apart]) & (high > low))
        both = up_to[rho[one], high[one]] - up_to[rho[one], low[one]]
        product = 2 * weight[one] * weight[one + apart]
        np.add.at(second, place[one], product[:, :, None] * both[:, None, :])
    second -= mean * mean
    found = np.ones((len(starts), WIDTH), dtype=np.int64)
    found[:, VARIANCES] = np.rint(second.mean(axis=2) * PER_UNIT)
    mean *= PER_UNIT
    found[:, MEANS] = np.rint(mean, out=mean).reshape(len(starts), -1)
    return found


def _weighed(rows: IntArray, weight: FloatArray, share: FloatArray) -> tuple[FloatArray, ...]:
    """Weigh some services under each value of the factor; and square it."""
    own, part = weight[rows, :, None], share[rows, None, :]
    return own * part, own * own * part


@lru_cache(maxsize=1)
def _up_to() -> FloatArray:
    """Probability of a vehicle's earliest levels, by correlation, their number and the factor."""
    share = np.arange(LEVELS.size + 1) / LEVELS.size
    steps = np.arange(round(MOST_RHO / RHO_STEP) + 1)
    found = np.stack([probability_up_to(share, float(one * RHO_STEP), nodes()) for one in steps])
    found.flags.writeable = False
    return found


@dataclass(frozen=True)
class Moments:
    """Of minutes and services in one week."""

    vehicles: int
    mean: FloatArray  # (2,)
    var: FloatArray  # (2,)


def moments(by_class: list[IntArray]) -> Moments:
    """
    Mean and variance of a week's work of independent classes.

    Parameters
    ----------
    by_class : list of ndarray of int64, shape (WIDTH,)
        The week's row of each class's sums.

    Returns
    -------
    Moments
        A class spreads as its vehicles do under each value of the factor, and with the factor.
    """
    rows = np.array(by_class, dtype=np.int64).reshape(-1, WIDTH)
    means = rows[:, MEANS].reshape(-1, 2, NODES) / PER_UNIT
    var = rows[:, VARIANCES] / PER_UNIT + means.var(axis=2)
    return Moments(int(rows[:, COUNT].sum()), means.mean(axis=2).sum(axis=0), var.sum(axis=0))


def outcomes(runs: Runs, week: int, weight: IntArray) -> NDArray[np.int64]:
    """
    Tell what each vehicle brings into a week at each of its levels.

    Parameters
    ----------
    runs : Runs
    week : int
    weight : ndarray of int, shape (r,)
        What each service counts.

    Returns
    -------
    ndarray of int64, shape (v, 99)
    """
    begin = runs.before[:, week - 1] if week else np.zeros(len(runs.vehicle), dtype=np.int64)
    level = np.arange(LEVELS.size)
    inside: BoolArray = (level >= begin[:, None]) & (level < runs.before[:, [week]])
    found = np.zeros((len(runs.rho), LEVELS.size), dtype=np.int64)
    np.add.at(found, runs.vehicle, weight[:, None] * inside)
    return found
