"""When a growing distance reaches a limit.

A meter never falls, so ``P(T <= h) = P(X(h) >= D)`` exactly. X(h) is taken as Gamma with a given
mean and variance; its quantiles by E. B. Wilson and M. M. Hilferty, "The distribution of
chi-square", PNAS 17 (1931) 684-688.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.arrays import FloatArray

Moments = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

SOONEST_D = 0.05  # earliest answer [d]
LATEST_D = 3650.0  # "no limit in sight" beyond this [d]; our choice
# Together 22 halvings of log h: the first five as common knots, on which the running maximum is
# taken, the others between the two knots where it first reaches the distance.
KNOTS = 2**5 + 1
HALVINGS = 17
LEAST_SHAPE, MOST_SHAPE = 0.05, 1e6
LEAST_ROOT = 1e-3  # of the cube root of a quantile, relative to the mean
TINY = 1e-300  # keeps a distance of exactly nothing from dividing by nothing


def passage_cdf(mean: ArrayLike, var: ArrayLike, distance: ArrayLike) -> FloatArray:
    """
    Probability that a Gamma distance has reached the limit.

    Parameters
    ----------
    mean, var : array_like, broadcast
        Mean [km or h] and variance [km² or h²] of the distance covered, not negative.
    distance : array_like, broadcast
        Distance left to the limit [km or h].

    Returns
    -------
    ndarray
        ``P(X >= distance)``; 1 where nothing is left.
    """
    from scipy.special import gammaincc  # not before it is needed: it takes a moment

    mean_km, var_km2, left_km = np.broadcast_arrays(
        *(np.asarray(value, np.float64) for value in (mean, var, distance))
    )
    shape = _shape(mean_km, var_km2)
    scaled = np.maximum(left_km, 0.0) * shape / np.maximum(mean_km, TINY)
    return np.asarray(gammaincc(shape, scaled))


def passage_quantiles(moments: Moments, distance_km: ArrayLike, levels: ArrayLike) -> FloatArray:
    """
    Days until the limit is reached, at each level.

    The level-p day is the first at which the level 1 − p distance reaches the limit: far ahead the
    uncertain distance of a high level can shrink again, and what has been driven stays driven.

    Parameters
    ----------
    moments : callable
        Mean [km] and variance [km²] of the distance h days ahead; called with h of shape (1, k)
        or (n, k), answers broadcast to (n, k).
    distance_km : array_like, shape (n,)
        Distance left, above 0 [km].
    levels : array_like, shape (k,)
        Probabilities, above 0 and below 1.

    Returns
    -------
    ndarray, shape (n, k)
        Days [d] from 0.05, to within 3e-6 of their size; inf beyond 3,650 days.
    """
    from scipy.special import ndtri

    left_km = np.asarray(distance_km, np.float64)[:, None]
    z: FloatArray = ndtri(1.0 - np.asarray(levels, np.float64))
    log_knots = np.linspace(math.log(SOONEST_D), math.log(LATEST_D), KNOTS)
    first = _first_knot(moments, left_km, z, np.exp(log_knots))
    low = log_knots[np.clip(first - 1, 0, KNOTS - 2)]
    width = (log_knots[1] - log_knots[0]) * (first > 0)
    for _ in range(HALVINGS):
        width *= 0.5
        middle = low + width
        mean, third_sd = _prepared(*moments(np.exp(middle, out=middle)))
        low += width * (_at_level(mean, third_sd, z) < left_km)
    width *= 0.5
    days: FloatArray = np.exp(low + width)
    days[first == KNOTS] = np.inf
    return days


def _first_knot(
    moments: Moments, left_km: FloatArray, z: FloatArray, knots_d: FloatArray
) -> NDArray[np.int64]:
    """Find the first knot at which the distance is reached, KNOTS if none; shape (n, k)."""
    mean, third_sd = _prepared(*moments(knots_d[None, :]))
    # Each knot reaches the distance for every z from here up: `_at_level` solved for z.
    root = np.cbrt(left_km / np.maximum(mean, TINY))
    from_z = np.where(root <= LEAST_ROOT, -np.inf, (root - 1.0) / third_sd + third_sd)
    np.minimum.accumulate(from_z, axis=1, out=from_z)
    first = np.empty((left_km.shape[0], z.size), dtype=np.int64)
    for column, level_z in enumerate(z):
        first[:, column] = np.count_nonzero(from_z > level_z, axis=1)
    return first


def _shape(mean: FloatArray, var: FloatArray) -> FloatArray:
    square = mean * mean
    shape: FloatArray = square / np.maximum(np.maximum(var, square / MOST_SHAPE), TINY)
    return np.maximum(shape, LEAST_SHAPE)


def _prepared(mean: FloatArray, var: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean, and 1/(3√k) of the Gamma shape k."""
    third_sd = _shape(mean, var)
    np.sqrt(third_sd, out=third_sd)
    third_sd *= 3.0
    return mean, np.reciprocal(third_sd, out=third_sd)


def _at_level(mean: FloatArray, third_sd: FloatArray, z: FloatArray) -> FloatArray:
    root = third_sd * (z - third_sd)
    root += 1.0
    np.maximum(root, LEAST_ROOT, out=root)
    cube: FloatArray = root * root
    cube *= root
    cube *= mean
    return cube


def distances_ahead(moments: Moments, days_ahead: ArrayLike, levels: ArrayLike) -> FloatArray:
    """
    Distance covered at each level after some days, of many meters.

    Parameters
    ----------
    moments : callable
        Mean [km] and variance [km²] of the distance h days ahead; called with h of shape (n, k).
    days_ahead : array_like, shape (n, k) or (n, k, m)
        Days ahead of the last reading, rising along the second axis [d]; perhaps others at each
        level.
    levels : array_like, shape (m,)
        Probabilities, above 0 and below 1.

    Returns
    -------
    ndarray, shape (n, k, m)
        Distance [km or h]; it never falls along the second axis.
    """
    from scipy.special import ndtri

    h_d = np.asarray(days_ahead, np.float64)
    each = h_d if h_d.ndim == 3 else h_d[..., None]
    prepared = _prepared(*moments(h_d.reshape(len(h_d), math.prod(h_d.shape[1:]))))
    mean, third_sd = (column.reshape(len(column), *each.shape[1:]) for column in prepared)
    z: FloatArray = ndtri(np.asarray(levels, np.float64))
    found = _at_level(mean, third_sd, z)
    for at in range(1, found.shape[1]):  # in a sixth of the time of ``np.maximum.accumulate``
        np.maximum(found[:, at], found[:, at - 1], out=found[:, at])
    return found
