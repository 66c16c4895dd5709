"""Bands are widened while too few dates come true inside them, never narrowed.

It is worked out anew each month from the forecasts of the last years, so that a fleet whose first
months were odd gets its width back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

# Our choice, all of these. Narrowing was measured to lose coverage, and so was a factor that can
# only rise: it keeps the first bad months for ever.
FEWEST_FORECASTS = 300  # not outcomes: those of one forecast are one vehicle's year
FEWEST_VEHICLES = 20
LEAST_SHARE = 0.75  # inside p10 … p90; fewer ask for a wider band
WANTED_SHARE = 0.80
MOST_WIDENING = 4.0  # beyond it a band says nothing any more
STEP = 0.01  # factors are rounded up to it, so that dates do not move for less


@dataclass(frozen=True)
class Widened:
    """What was found, and decided."""

    forecasts: int  # with at least one outcome
    vehicles: int  # that they were made for
    inside_share: float  # of outcomes, inside the bands as the model gives them; NaN without any
    factor: float  # from now on


def widened(needed: ArrayLike, vehicle: ArrayLike) -> Widened:
    """
    Decide the factor on the log-spread about the expected day.

    Parameters
    ----------
    needed : array_like, shape (n, k)
        For each forecast and distance the factor at which its band would just have held what
        happened, 1 the band as the model gives it; NaN where undecided.
    vehicle : array_like, shape (n,)
        Whose forecast it was.

    Returns
    -------
    Widened
        The factor is 1 unless fewer than 75 % of the outcomes of at least 300 forecasts for at
        least 20 vehicles lie inside the bands; then it is the one that holds 80 %, at most 4.
    """
    of_each = np.asarray(needed, np.float64)
    decided = ~np.isnan(of_each)
    counts = decided.any(axis=1)
    forecasts, vehicles = int(counts.sum()), np.unique(np.asarray(vehicle)[counts]).size
    each = np.sort(of_each[decided])
    inside = float((each <= 1).mean()) if each.size else float("nan")
    enough = forecasts >= FEWEST_FORECASTS and vehicles >= FEWEST_VEHICLES
    if not enough or inside >= LEAST_SHARE:
        return Widened(forecasts, vehicles, inside, 1.0)
    # Fewer than 75 % lie within 1, so the factor that holds 80 % is larger.
    wanted = float(each[int(np.ceil(WANTED_SHARE * each.size)) - 1])
    rounded = float(np.ceil(min(wanted, MOST_WIDENING) / STEP - 1e-9)) * STEP
    return Widened(forecasts, vehicles, inside, round(rounded, 2))
