"""How a property of the fluid changes with its age: one slope, one intercept per fill."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.trial_cells import FloatArray, IntArray

PER_KM = 1_000.0


@dataclass(frozen=True)
class Slope:
    """Change of a property with fluid age; NaN where the samples do not tell."""

    per_1000_km: float
    standard_error: float
    residual_sd: float
    low: float  # of the 95 % interval of the slope
    high: float
    free: int  # samples less fills less 1
    fills: int  # with at least two samples at different ages


def undiluted(value: ArrayLike, topped_up: ArrayLike) -> FloatArray:
    """
    Correct what gathers in the fluid (wear metals) for fresh fluid added.

    Parameters
    ----------
    value : array_like, shape (samples,)
        As measured.
    topped_up : array_like, shape (samples,)
        Fluid added since the change, as a share of the service refill.

    Returns
    -------
    ndarray, shape (samples,)
        To first order what would have been measured had nothing been lost and added.
    """
    return np.asarray(value, np.float64) * (1 + np.asarray(topped_up, np.float64))


def slope(fill: ArrayLike, age_km: ArrayLike, value: ArrayLike) -> Slope:
    """
    Least squares of a property on fluid age with an intercept for each fill.

    Parameters
    ----------
    fill : array_like of int, shape (samples,)
        Which fill each sample was drawn from.
    age_km : array_like, shape (samples,)
        Fluid age [km].
    value : array_like, shape (samples,)
        The property, in its own unit.

    Returns
    -------
    Slope
        Both sides are centred within their fill first: odometer-sized numbers lose digits
        otherwise.
    """
    age = np.asarray(age_km, np.float64) / PER_KM
    place: IntArray = np.unique(np.asarray(fill), return_inverse=True)[1]
    x, y = _centred(place, age), _centred(place, np.asarray(value, np.float64))
    moved = np.bincount(place, np.abs(x)) > 0 if x.size else np.zeros(0, bool)
    fills, squares = int(moved.sum()), float(x @ x)
    free = x.size - moved.size - 1
    if not fills:
        return _unknown(np.nan, free, 0)
    rate = float(x @ y) / squares
    if free < 1:
        return _unknown(rate, free, fills)
    return _with_errors(rate, squares, float(((y - rate * x) ** 2).sum()), free, fills)


def _unknown(rate: float, free: int, fills: int) -> Slope:
    return Slope(rate, np.nan, np.nan, np.nan, np.nan, free, fills)


def _with_errors(rate: float, squares: float, left: float, free: int, fills: int) -> Slope:
    from scipy.special import stdtrit

    sd = float(np.sqrt(left / free))
    error = sd / float(np.sqrt(squares))
    reach = float(stdtrit(free, 0.975)) * error
    return Slope(rate, error, sd, rate - reach, rate + reach, free, fills)


def _centred(place: IntArray, values: FloatArray) -> FloatArray:
    if not values.size:
        return values
    count = np.bincount(place)
    first = values - (np.bincount(place, values) / count)[place]
    # The mean of large numbers carries rounding; the mean of what is left takes it out.
    again: FloatArray = first - (np.bincount(place, first) / count)[place]
    return again
