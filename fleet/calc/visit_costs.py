"""What it costs to do a service on one day rather than another: life thrown away, and lateness.

A due date is uncertain: below its expected day it spreads as one half of a normal law, above it
as one half of another, each of mass ½, as the earliest and the latest likely day say. On whole
days the expected lateness and earliness are plain sums of the law, so nothing is approximated.

Where a sum would reach beyond the days that are looked at, what lies beyond is left away for every
day alike: that shifts all costs of a service by the same amount and moves no decision.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from fleet.calc.arrays import BoolArray, FloatArray, IntArray

P90_SIGMA = 1.2815515655446004  # standard normal quantile of 0.9


def spreads(p10_d: FloatArray, p50_d: FloatArray, p90_d: FloatArray) -> tuple[FloatArray, ...]:
    """Give standard deviations of the lower and the upper half [d], same shape, never below 0."""
    return (
        np.maximum(0.0, (p50_d - p10_d) / P90_SIGMA),
        np.maximum(0.0, (p90_d - p50_d) / P90_SIGMA),
    )


def law(quantiles_d: FloatArray, calendar_d: FloatArray, days_d: IntArray) -> FloatArray:
    """
    Probability that a service is due by the end of each day.

    Parameters
    ----------
    quantiles_d : (n, m, 3)
        Earliest likely, expected, latest likely day by each of m limits, not capped by the
        calendar; NaN for a limit that a service does not have [d since any day].
    calendar_d : (n,)
        Day the calendar makes it due; NaN for none [d].
    days_d : (k,)
        Days asked for, rising [d].

    Returns
    -------
    (n, k)
        Of the limit reached first, taken by the smaller of the quantiles.
    """
    first_d = np.where(np.isnan(quantiles_d), np.inf, quantiles_d).min(axis=1)
    dated = np.isfinite(first_d[:, 1])
    safe_d = np.where(dated[:, None], first_d, 0.0)
    lower_d, upper_d = (side[:, None] for side in spreads(*safe_d.T))
    apart_d = days_d[None, :] - safe_d[:, 1:2]
    sigma_d = np.where(apart_d > 0, upper_d, lower_d)
    with np.errstate(divide="ignore", invalid="ignore"):
        smooth = ndtr(apart_d / sigma_d)
    step = (apart_d >= 0).astype(np.float64)
    by_meter = np.where(sigma_d > 0, smooth, step) * dated[:, None]
    by_calendar = days_d[None, :] >= np.where(np.isnan(calendar_d), np.inf, calendar_d)[:, None]
    return np.where(by_calendar, 1.0, by_meter)


def lateness_d(due_by: FloatArray) -> FloatArray:
    """Sum the law over the days before: expected days late when done on each day, (n, k)."""
    before = np.cumsum(due_by, axis=1)
    return before - due_by


def growing_d2(due_by: FloatArray) -> FloatArray:
    """Add up the expected square of the days late when done on each day [d²], (n, k)."""
    late_d = lateness_d(due_by)
    # 2(t−u)−1 summed over u < t: each further day adds twice what is late already, and once more
    step = 2 * late_d + due_by
    return np.cumsum(step, axis=1) - step


def earliness_d(due_by: FloatArray) -> FloatArray:
    """Sum expected days early when done on each day, as far as the days reach, (n, k)."""
    not_yet = 1.0 - due_by
    return np.asarray(np.cumsum(not_yet[:, ::-1], axis=1)[:, ::-1])


@dataclass(frozen=True)
class Prices:
    """What lateness and earliness of services cost, one of each per service, (n,).

    Parameters
    ----------
    early_minor_per_d
        Paid life thrown away with each day it is done early [minor units per day].
    late_minor_per_d
        A day late [minor units per day].
    growing_minor_per_d2
        On top, for the square of the days late [minor units per day²].
    """

    early_minor_per_d: FloatArray
    late_minor_per_d: FloatArray
    growing_minor_per_d2: FloatArray


def day_costs(due_by: FloatArray, prices: Prices) -> FloatArray:
    """Cost of doing each service on each day, in whole minor units, (n, k)."""
    cost = (
        prices.early_minor_per_d[:, None] * earliness_d(due_by)
        + prices.late_minor_per_d[:, None] * lateness_d(due_by)
        + prices.growing_minor_per_d2[:, None] * growing_d2(due_by)
    )
    return np.rint(cost)


def leave_out_costs(
    later_minor: FloatArray, visit_minor: FloatArray, share_of_visit: float
) -> FloatArray:
    """
    Cost of leaving services to the time after the plan.

    Parameters
    ----------
    later_minor : (n, k)
        Cost of doing each on the days after the plan's last [minor units].
    visit_minor : (n,)
        What a visit of its vehicle costs [minor units].
    share_of_visit
        Of that visit, what a service put off must bear; with 0 work is pushed over the edge.
    """
    return np.asarray(np.rint(later_minor.min(axis=1) + share_of_visit * visit_minor))


def with_memory(
    cost_minor: FloatArray,
    leave_out_minor: FloatArray,
    planned_day: IntArray,
    moved_minor: float,
) -> tuple[FloatArray, FloatArray]:
    """
    Add what moving a service off the day it had costs.

    Parameters
    ----------
    cost_minor : (n, H)
        Cost by day [minor units].
    leave_out_minor : (n,)
        Cost of leaving out [minor units].
    planned_day : (n,)
        Day in the plan before; −1 for none.
    moved_minor
        Price of a move [minor units].
    """
    had = planned_day >= 0
    elsewhere: BoolArray = np.arange(cost_minor.shape[1])[None, :] != planned_day[:, None]
    moved = moved_minor * (had[:, None] & elsewhere)
    return cost_minor + moved, leave_out_minor + moved_minor * had
