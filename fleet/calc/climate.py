"""Monthly means of daily temperature extremes, as weather services publish them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_DAYS = 20  # of a month with a value; fewer make no mean: our choice
# no place has a mean daily range beyond this in °C, and none one so small in tenths: our choice
MOST_RANGE_C = 30.0


@dataclass(frozen=True)
class Months:
    """One entry per month with any day, in order of time."""

    month: Ints  # months since 1970-01
    mean_max_c: Floats  # [°C]; NaN in a month with too few days
    mean_min_c: Floats  # [°C]
    days: Ints  # with a value, of the extreme that has fewer


def in_tenths(maximum: Floats, minimum: Floats) -> bool:
    """Say whether temperatures are given in tenths of a degree, by their mean daily range.

    Parameters
    ----------
    maximum, minimum
        Daily extremes as given, shape (n,); NaN where one is missing.
    """
    range_given = (maximum - minimum)[np.isfinite(maximum) & np.isfinite(minimum)]
    return bool(range_given.size and range_given.mean() > MOST_RANGE_C)


def monthly_means(day: Ints, maximum_c: Floats, minimum_c: Floats) -> Months:
    """Return the means of each month.

    Parameters
    ----------
    day
        Days since 1970-01-01, shape (n,), each once.
    maximum_c, minimum_c
        Daily extremes [°C], shape (n,); NaN where one is missing.

    Returns
    -------
    Months
        Means of the days that have a value; a month in which either extreme has fewer than
        ``LEAST_DAYS`` has none.
    """
    months, place = np.unique(
        day.astype("M8[D]").astype("M8[M]").astype(np.int64), return_inverse=True
    )
    counts, means = [], []
    for column in (maximum_c, minimum_c):
        known = np.isfinite(column)
        count = np.bincount(place[known], minlength=len(months))
        total = np.bincount(place[known], weights=column[known], minlength=len(months))
        counts.append(count)
        means.append(total / np.maximum(count, 1))
    fewest = np.minimum(*counts).astype(np.int64)
    enough = fewest >= LEAST_DAYS
    mean_max_c, mean_min_c = (np.where(enough, mean, np.nan) for mean in means)
    return Months(months, mean_max_c, mean_min_c, fewest)
