"""Small parts that break on removal, and fluid poured in between services.

The share of clips that break is the same for the whole fleet and not known exactly, so a hundred
clips do not break independently of each other: their number is beta-binomial. Likewise the rate of
top-ups, learnt from few events, makes their number negative binomial. Both are the usual conjugate
models; see Gelman and others, *Bayesian Data Analysis* (3rd ed. 2013), sections 2.4 and 2.6.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, gammaln

from fleet.calc.arrays import FloatArray
from fleet.calc.convolve import Distribution, power_of_two, probabilities, trimmed

PRIOR_BROKEN, PRIOR_WHOLE = 1.0, 4.0  # one in five until records say otherwise; our choice
PRIOR_EVENTS, LEAST_EXPOSURE = 0.5, 1.0  # our choice
HALF_LIFE_D = 180.0  # our choice
EXPOSURE_D = 30.0  # vehicle-days in one unit of exposure


def broken(disturbed: Distribution, records_broken: float, records_whole: float) -> Distribution:
    """
    Pieces that break of those disturbed.

    Parameters
    ----------
    disturbed : Distribution
        Of the pieces disturbed in all, on a grid of pieces.
    records_broken, records_whole : float
        Pieces disturbed so far that broke and that did not.

    Returns
    -------
    Distribution
        Step 1.
    """
    a, b = PRIOR_BROKEN + records_broken, PRIOR_WHOLE + records_whole
    number = np.flatnonzero(disturbed.pmf > 1e-12)
    pmf = np.zeros(int(number[-1]) * disturbed.step + 1)
    for place in number:
        n = int(place) * disturbed.step
        pmf[: n + 1] += disturbed.pmf[place] * _beta_binomial(n, a, b)
    return Distribution(1, trimmed(pmf / pmf.sum()))


def _beta_binomial(n: int, a: float, b: float) -> FloatArray:
    k = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.asarray(np.exp(ways + betaln(k + a, n - k + b) - betaln(a, b)))


def fading(age_d: ArrayLike) -> FloatArray:
    """Weight of a record by its age [d]: a half after 180 days."""
    return np.asarray(np.exp2(-np.maximum(np.asarray(age_d, np.float64), 0.0) / HALF_LIFE_D))


def event_rate(events: float, exposure: float) -> tuple[float, float]:
    """
    Posterior of a rate per 30 vehicle-days.

    Parameters
    ----------
    events, exposure : float
        Records and exposure (in 30 vehicle-days), both faded by age.

    Returns
    -------
    tuple of float
        Shape and rate of the Gamma posterior.
    """
    return PRIOR_EVENTS + events, max(LEAST_EXPOSURE, exposure)


def top_ups(
    shape: float, rate: float, exposure: float, quantities: ArrayLike, weights: ArrayLike
) -> Distribution:
    """
    Quantity poured in between services: a negative binomial number of recorded quantities.

    Parameters
    ----------
    shape, rate : float
        Of the Gamma posterior, see `event_rate`.
    exposure : float
        Ahead, in 30 vehicle-days.
    quantities, weights : array_like, shape (q,)
        Quantities of past events, whole numbers above 0 [mL or pieces], and how much each counts.

    Returns
    -------
    Distribution
    """
    given, share = np.asarray(quantities, np.int64), np.asarray(weights, np.float64)
    if exposure <= 0 or not len(given):
        return Distribution(1, np.ones(1))
    step = int(np.gcd.reduce(given))
    values, share = given // step, share / share.sum()
    mean = shape * exposure / rate
    spread = np.sqrt(mean * (1 + exposure / rate) * (values.max() ** 2))
    cells = power_of_two(mean * values.max() + 12 * spread + 30 * values.max())
    turns = np.exp(-2j * np.pi * np.outer(values, np.arange(cells // 2 + 1)) / cells)
    transform = (1.0 + exposure / rate * (1.0 - share @ turns)) ** -shape
    return Distribution(step, trimmed(probabilities(transform, cells)))
