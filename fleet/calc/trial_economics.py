"""What a fluid costs per 1,000 km, and from which interval a dearer one pays. Money in minor units.

Sources of the worked figures: closed form, see the tests.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

PER_KM = 1_000.0
ML_PER_L = 1_000
DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Change:
    """One change of a fluid."""

    quantity_ml: int
    price_minor_per_l: int
    labour_minor: int = 0
    materials_minor: int = 0
    visit_minor: int = 0

    @property
    def fluid_minor(self) -> float:
        """Price of the fluid."""
        return self.quantity_ml * self.price_minor_per_l / ML_PER_L

    @property
    def whole_minor(self) -> float:
        """Price of the change: fluid, labour, materials and bringing the vehicle in."""
        return self.fluid_minor + self.labour_minor + self.materials_minor + self.visit_minor


def per_1000_km(cost_minor: float, interval_km: float) -> float:
    """
    Cost per 1,000 km.

    Parameters
    ----------
    cost_minor : float
        Of one change [minor units].
    interval_km : float
        Distance between changes [km].

    Returns
    -------
    float
        [minor units per 1,000 km].
    """
    return cost_minor * PER_KM / interval_km


def break_even_km(usual_minor: float, usual_interval_km: float, tried_minor: float) -> float:
    """
    Interval from which the tried fluid costs no more per km than the usual one.

    Parameters
    ----------
    usual_minor, tried_minor : float
        Cost of one change with each [minor units].
    usual_interval_km : float
        Interval of the usual fluid [km].

    Returns
    -------
    float
        [km]. Labour, equal on both sides, shortens it: a longer interval saves changes as well.

    Raises
    ------
    ValueError
        When the usual change costs nothing: no interval is then long enough.
    """
    if usual_minor <= 0:
        raise ValueError("the usual change costs nothing")
    return usual_interval_km * tried_minor / usual_minor


def can_pay(
    km_per_day: ArrayLike, months: ArrayLike, usual_interval_km: ArrayLike, ratio: float
) -> NDArray[np.bool_]:
    """
    Tell for which vehicles a dearer fluid can pay before the calendar asks for a change.

    Parameters
    ----------
    km_per_day : array_like, shape (vehicles,)
        How far each runs [km/day].
    months : array_like, shape (vehicles,)
        Calendar limit in each one's duty class; NaN: none.
    usual_interval_km : array_like, shape (vehicles,)
        Interval of the usual fluid in each one's duty class [km]; NaN: none.
    ratio : float
        Cost of a change with the tried fluid, in changes with the usual one.

    Returns
    -------
    ndarray of bool, shape (vehicles,)
        Whether the distance run within the calendar limit reaches the break-even interval.
    """
    limit_d = np.asarray(months, np.float64) * DAYS_PER_MONTH
    within_km = np.asarray(km_per_day, np.float64) * np.where(np.isnan(limit_d), np.inf, limit_d)
    return within_km >= np.asarray(usual_interval_km, np.float64) * ratio
