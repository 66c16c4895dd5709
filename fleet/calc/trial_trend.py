"""Whether ratings fall as the fluid grows older, within one group."""

from dataclasses import dataclass

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray

LEAST_BANDS, LEAST_VEHICLES = 3, 4


@dataclass(frozen=True)
class Trend:
    """Page's trend test of one group."""

    bands: int  # compared, from the first on
    complete: BoolArray  # (vehicles,) with a rating in every one of them
    statistic: float  # Page's L; NaN where there is too little to test
    p_value: float  # that ratings do not fall


def falls_with_age(cell: FloatArray) -> Trend:
    """
    Test for ratings that fall from band to band (E. B. Page, 1963).

    Parameters
    ----------
    cell : ndarray, shape (vehicles, bands)
        Mean ratings of one group by band of fluid age, NaN where there is none.

    Returns
    -------
    Trend
        On vehicles with a rating in every band that the group has reached.
    """
    rated = ~np.isnan(cell)
    reached = np.flatnonzero(rated.any(axis=0))
    bands = int(reached[-1]) + 1 if reached.size else 0
    complete: BoolArray = rated[:, :bands].sum(axis=1) == max(bands, 1)
    if bands < LEAST_BANDS or complete.sum() < LEAST_VEHICLES:
        return Trend(bands, complete, np.nan, np.nan)
    from scipy.stats import page_trend_test

    # The test asks for columns in the order in which they are expected to rise.
    found = page_trend_test(cell[complete, :bands][:, ::-1])
    return Trend(bands, complete, float(found.statistic), float(found.pvalue))
