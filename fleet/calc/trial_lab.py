"""How a property of the fluid changes with its age: one slope, one intercept per fill."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import FloatArray, IntArray

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


@dataclass(frozen=True)
class Thinned:
    """What top-ups did to the fluid of one fill until it was sampled."""

    effective_km: float  # of gathering; the fluid's age where nothing was added
    left: float  # share of what was in the fluid at the start that is still in it


def thinned(driven_km: ArrayLike, added: ArrayLike) -> Thinned:
    """
    Balance what gathers in a fluid against fresh fluid topped up to the same mark.

    Parameters
    ----------
    driven_km : array_like, shape (top-ups + 1,)
        Distance before each top-up since the one before, and from the last to the sample [km].
    added : array_like, shape (top-ups,)
        Each top-up as a share of the service refill, 0 <= x < .5.

    Returns
    -------
    Thinned
        a = sum of distances, each thinned by what came after, with phi(x) = -ln(1-x)/x for the
        fluid lost by and by before a top-up; D = product of (1 - x).

    Notes
    -----
    Mass balance of a sump with steady loss and steady production, solved in closed form.
    """
    shares = np.asarray(added, np.float64)
    *before_km, last_km = np.asarray(driven_km, np.float64).tolist()
    effective_km, left = 0.0, 1.0
    for km, share in zip(before_km, shares.tolist(), strict=True):
        lost_by_and_by = -np.log1p(-share) / share if share > 0 else 1.0
        effective_km = (effective_km + km * lost_by_and_by) * (1 - share)
        left *= 1 - share
    return Thinned(float(effective_km + last_km), left)


def undiluted(value: float, fluid: Thinned, age_km: float, fresh: float = 0.0) -> float:
    """
    Tell what would have been measured had nothing been lost and added.

    Parameters
    ----------
    value : float
        As measured, of something that gathers in the fluid (wear metals).
    fluid : Thinned
        What top-ups did.
    age_km : float
        Distance since the change [km].
    fresh : float
        Value of the fresh fluid.

    Returns
    -------
    float
        In the unit of the value.
    """
    gathered_per_km = (value - fresh) / fluid.effective_km if fluid.effective_km > 0 else 0.0
    return fresh + gathered_per_km * age_km


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
    return np.asarray(first - (np.bincount(place, first) / count)[place])
