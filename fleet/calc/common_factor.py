"""What vehicles of a class share: a busy month drives all of them further.

The shared factor on distance is lognormal with spread sigma. Under a given value z of it the 99
levels of a vehicle are no longer equally likely; as in a one-factor model of correlated defaults
(O. Vasicek, "Loan portfolio value", Risk 15 (2002) 160-162), the levels up to b have the
probability ``Phi((b + rho z) / sqrt(1 - rho²))``. Nothing moves on average: over all z each level
keeps its 1/99.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from fleet.calc.arrays import FloatArray

NODES = 41  # equal shares of the factor; five Gauss-Hermite nodes miss the upper quantiles
MOST_RHO = 0.9  # our choice
RHO_STEP = 0.02  # vehicles within one step are treated alike, so that equal ones can be grouped
USUAL_SIGMA = 0.08  # until a class has been watched for long enough; our choice
MOST_SIGMA = 0.25  # our choice
MONTHS_TO_LEARN = 12  # our choice


def nodes(count: int = NODES) -> FloatArray:
    """Values of a standard normal factor, each for an equal share of its probability."""
    return np.asarray(ndtri((np.arange(count) + 0.5) / count))


def probability_up_to(share: ArrayLike, rho: float, z: ArrayLike) -> FloatArray:
    """
    Probability of the earliest futures of a vehicle under given values of the factor.

    Parameters
    ----------
    share : array_like, shape (k,)
        Their probability on average, 0 to 1.
    rho : float
        Correlation of the vehicle's distance with the factor, 0 to below 1.
    z : array_like, shape (j,)
        Values of the factor; above 0 all drive further.

    Returns
    -------
    ndarray, shape (k, j)
    """
    b = ndtri(np.asarray(share, np.float64))[:, None]
    return np.asarray(ndtr((b + rho * np.asarray(z, np.float64)) / np.sqrt(1.0 - rho * rho)))


def level_weights(rho: float, z: ArrayLike, levels: int = 99) -> FloatArray:
    """
    Weights of a vehicle's levels under given values of the factor.

    Parameters
    ----------
    rho, z
        See `probability_up_to`.

    Returns
    -------
    ndarray, shape (levels, j)
        Each column sums to 1; the first level is the fastest future.
    """
    return _level_weights(rho, np.asarray(z, np.float64).tobytes(), levels)


@lru_cache(maxsize=256)  # rho lies on steps, and a forecast asks for the same ones over and over
def _level_weights(rho: float, z: bytes, levels: int) -> FloatArray:
    share = np.arange(levels + 1) / levels
    found = np.diff(probability_up_to(share, rho, np.frombuffer(z)), axis=0)
    found.flags.writeable = False
    return np.asarray(found)


def correlation(sigma: ArrayLike, mean: ArrayLike, var: ArrayLike) -> FloatArray:
    """
    Correlation of each vehicle's distance with the factor, on steps of 0.02.

    Parameters
    ----------
    sigma : array_like, broadcast to ``mean``
        Spread of the factor on the log scale.
    mean, var : array_like
        Of the distance from today to the middle of the month [km], [km²].

    Returns
    -------
    ndarray
        At most 0.9.
    """
    sd = np.sqrt(np.maximum(np.asarray(var, np.float64), 1e-12))
    spread = np.asarray(sigma, np.float64) * np.asarray(mean, np.float64)
    rho = np.clip(spread / sd, 0.0, MOST_RHO)
    return np.asarray(np.round(rho / RHO_STEP) * RHO_STEP)


def learnt_sigma(driven: ArrayLike, expected: ArrayLike, sampling_var: ArrayLike) -> float:
    """
    Spread of a class's common factor, from past months.

    Parameters
    ----------
    driven, expected : array_like, shape (m,)
        Distance of the class in each month, and the sum of its vehicles' forecast means [km].
    sampling_var : array_like, shape (m,)
        Variance of ``ln(driven / expected)`` that independent vehicles have anyway.

    Returns
    -------
    float
        0 to 0.25; 0.08 until 12 months exist.
    """
    ratio = np.asarray(driven, np.float64) / np.asarray(expected, np.float64)
    ratio = ratio[np.isfinite(ratio) & (ratio > 0)]
    if len(ratio) < MONTHS_TO_LEARN:
        return USUAL_SIGMA
    shared = np.var(np.log(ratio), ddof=1) - np.mean(np.asarray(sampling_var, np.float64))
    return float(np.sqrt(np.clip(shared, 0.0, MOST_SIGMA**2)))
