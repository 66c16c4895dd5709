"""
Ratings read as grades in order, not as numbers: proportional odds.

P. McCullagh, "Regression models for ordinal data", 1980. A second look at a comparison for whoever
objects to means of grades; it does not know that ratings of one vehicle resemble each other, so it
gives no p.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from fleet.calc.arrays import FloatArray, IntArray

SMALLEST = 1e-300


@dataclass(frozen=True)
class Odds:
    """Coefficients on the log-odds scale; above 0 means better grades."""

    slope: FloatArray  # (columns,)
    log_likelihood: float


def proportional_odds(grade: ArrayLike, design: ArrayLike) -> Odds:
    """
    Fit logit P(grade <= j) = theta_j - design @ slope by maximum likelihood.

    Parameters
    ----------
    grade : array_like, shape (ratings,)
        Grades; only their order counts.
    design : array_like, shape (ratings, columns)
        Columns without an intercept.

    Returns
    -------
    Odds
        NaN where all grades are alike.
    """
    from scipy.optimize import minimize

    columns = np.asarray(design, np.float64)
    level: IntArray = np.unique(np.asarray(grade), return_inverse=True)[1]
    steps = int(level.max(initial=0))
    if not steps:
        return Odds(np.full(columns.shape[1], np.nan), np.nan)
    share = np.cumsum(np.bincount(level))[:-1] / level.size
    theta = np.log(share / (1 - share))
    start = np.concatenate([theta[:1], np.log(np.diff(theta)), np.zeros(columns.shape[1])])
    found = minimize(_loss, start, (level, columns, steps), jac=True, method="BFGS")
    return Odds(found.x[steps:], -float(found.fun) * level.size)


def _loss(
    parameters: FloatArray, level: IntArray, columns: FloatArray, steps: int
) -> tuple[float, FloatArray]:
    """Mean negative log likelihood and its gradient; thresholds rise by exp of the parameters."""
    rise = np.exp(parameters[1:steps])
    theta = parameters[0] + np.concatenate([[0.0], np.cumsum(rise)])
    ends = np.concatenate([[-np.inf], theta, [np.inf]])
    shift = columns @ parameters[steps:]
    above, below = expit(ends[level + 1] - shift), expit(ends[level] - shift)
    chance = np.maximum(above - below, SMALLEST)
    d_above, d_below = above * (1 - above) / chance, below * (1 - below) / chance
    d_theta = np.bincount(level, d_above, steps + 1)[:steps]
    d_theta -= np.bincount(level, d_below, steps + 1)[1:]
    d_rise = np.cumsum(d_theta[::-1])[::-1]
    d_start = np.concatenate([d_rise[:1], d_rise[1:] * rise])
    d_slope = columns.T @ (d_below - d_above)
    gradient: FloatArray = -np.concatenate([d_start, d_slope]) / level.size
    return -float(np.log(chance).mean()), gradient
