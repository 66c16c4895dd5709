"""The guard on the bands: widened when too few dates came true inside them, never narrowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

# Our choice, all of these. Narrowing was measured to lose coverage.
FEWEST_OUTCOMES = 300
LEAST_SHARE = 0.75  # inside p10 … p90; fewer ask for a wider band
WANTED_SHARE = 0.80
MOST_WIDENING = 4.0  # beyond it a band says nothing any more


@dataclass(frozen=True)
class Guarded:
    """What the guard found and decided."""

    outcomes: int
    inside_share: float  # inside the bands with the factor in force; NaN without outcomes
    factor: float  # from now on


def guarded(needed: ArrayLike, in_force: float) -> Guarded:
    """
    Decide the factor on the log-spread about the expected day.

    Parameters
    ----------
    needed : array_like, shape (n,)
        For each outcome the factor at which its band would just have held it, 1 the band as the
        model gives it; NaN where undecided.
    in_force : float
        The factor so far, at least 1.

    Returns
    -------
    Guarded
        The factor stays unless fewer than 75 % of at least 300 outcomes lie inside the bands;
        then it rises to hold 80 %.
    """
    each = np.asarray(needed, np.float64).ravel()
    each = np.sort(each[~np.isnan(each)])
    inside = float((each <= in_force).mean()) if each.size else float("nan")
    if each.size < FEWEST_OUTCOMES or inside >= LEAST_SHARE:
        return Guarded(each.size, inside, in_force)
    wanted = float(each[int(np.ceil(WANTED_SHARE * each.size)) - 1])
    # Fewer than 75 % lie within the factor in force, so the one that holds 80 % is larger.
    return Guarded(each.size, inside, min(wanted, MOST_WIDENING))
