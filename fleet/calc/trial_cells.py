"""
Ratings of a field trial compared at equal fluid age.

Any fresh fluid feels better at once, so ratings inside the run-in period never count. What is
left is laid into bands of fluid age; a cell is the mean rating of one vehicle in one band. Where
the groups were changed in different seasons, a cell is a band of age and of warmth together.
Arrays may carry any number of leading axes (simulated trials).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.arrays import BoolArray, FloatArray, IntArray

RUN_IN_KM, RUN_IN_D = 1_000.0, 30.0  # both must have passed; our choice
BANDS = 4  # our choice
LEAST_VEHICLES = 3  # of each group with a cell, for a band to count; our choice
IN_RUN_IN, BEYOND = -1, -2
WARMTHS = 3  # terciles; our choice
SEASONS_APART_D = 60.0  # between the groups' changes, beyond which warmth counts; our choice


@dataclass(frozen=True)
class Ages:
    """Which fluid ages are compared."""

    interval_km: float  # the shorter of the two products' intervals
    run_in_km: float = RUN_IN_KM
    run_in_d: float = RUN_IN_D

    @property
    def edges_km(self) -> FloatArray:
        """Edges of the bands [km], shape (bands + 1,)."""
        return np.linspace(self.run_in_km, self.interval_km, BANDS + 1)


@dataclass(frozen=True)
class Compared:
    """Vehicle scores at equal fluid age."""

    counting: BoolArray  # (bands,) compared; the other bands have too few vehicles of a group
    used: BoolArray  # (vehicles,) with a score
    score: FloatArray  # (vehicles,) rating above the mean at its ages; NaN where not used
    indicator: FloatArray  # (vehicles,) the same of 0 for A and 1 for B


def band_of(age_km: ArrayLike, age_d: ArrayLike, ages: Ages) -> IntArray:
    """
    Find the band that each fluid age falls in.

    Parameters
    ----------
    age_km, age_d : array_like, shape (ratings,)
        Fluid age [km], [d]; NaN where it is not known.
    ages : Ages
        Run-in period and interval.

    Returns
    -------
    ndarray of int, shape (ratings,)
        0 for the first band; -1 inside the run-in period, -2 beyond the interval or not known.
    """
    km, days = np.asarray(age_km, np.float64), np.asarray(age_d, np.float64)
    edges = ages.edges_km
    band = np.minimum(np.searchsorted(edges, km, side="right") - 1, BANDS - 1)
    beyond = ~(km <= edges[-1]) | np.isnan(days)
    run_in = (km < ages.run_in_km) | (days < ages.run_in_d)
    return np.where(beyond, BEYOND, np.where(run_in, IN_RUN_IN, band))


def cells(
    vehicle: ArrayLike, band: ArrayLike, value: ArrayLike, vehicles: int, bands: int = BANDS
) -> FloatArray:
    """
    Average the ratings of each vehicle in each band.

    Parameters
    ----------
    vehicle, band : array_like of int, shape (ratings,)
        Row of the vehicle; band as ``band_of`` or ``with_warmth`` gives it.
    value : array_like, shape (ratings,)
        Ratings, 1 to 5.
    vehicles, bands : int
        How many vehicles and bands there are.

    Returns
    -------
    ndarray, shape (vehicles, bands)
        Mean rating, NaN where there is none.
    """
    rows, columns = np.asarray(vehicle, np.int64), np.asarray(band, np.int64)
    kept = columns >= 0
    place = rows[kept] * bands + columns[kept]
    size = vehicles * bands
    total = np.bincount(place, np.asarray(value, np.float64)[kept], size)
    return ratio(total, np.bincount(place, minlength=size)).reshape(vehicles, bands)


def seasons_apart(vehicle: ArrayLike, changed_d: ArrayLike, in_b: BoolArray) -> bool:
    """
    Tell whether the groups' fluid was changed in different seasons.

    Parameters
    ----------
    vehicle : array_like of int, shape (ratings,)
        Row of the vehicle.
    changed_d : array_like, shape (ratings,)
        When the fluid inside at that rating was changed [d since 1970].
    in_b : ndarray of bool, shape (vehicles,)
        Vehicles of group B.

    Returns
    -------
    bool
        True where the medians of the vehicles' first changes lie more than 60 days apart.
    """
    first_d = np.full(in_b.size, np.inf)
    np.minimum.at(first_d, np.asarray(vehicle, np.int64), np.asarray(changed_d, np.float64))
    medians = [first_d[side & np.isfinite(first_d)] for side in (in_b, ~in_b)]
    if not all(side.size for side in medians):
        return False
    return bool(abs(np.median(medians[0]) - np.median(medians[1])) > SEASONS_APART_D)


def warmth_of(mean_c: ArrayLike, over_the_trial_c: ArrayLike) -> IntArray:
    """
    Find the third of a trial's months, from cool to warm, that each rating was given in.

    Parameters
    ----------
    mean_c : array_like, shape (ratings,)
        Mean temperature of the month at the depot [°C]; NaN where it is not known.
    over_the_trial_c : array_like, shape (months,)
        The same of every month of the trial at that depot.

    Returns
    -------
    ndarray of int, shape (ratings,)
        0 cool, 1 between, 2 warm; -2 where it is not known.
    """
    months_c = np.asarray(over_the_trial_c, np.float64)
    given_c = np.asarray(mean_c, np.float64)
    if not np.isfinite(months_c).all() or not months_c.size:
        return np.full(given_c.shape, BEYOND)
    edges_c = np.quantile(months_c, [1 / WARMTHS, 2 / WARMTHS])
    return np.where(np.isnan(given_c), BEYOND, np.searchsorted(edges_c, given_c, side="right"))


def with_warmth(band: IntArray, warmth: IntArray) -> IntArray:
    """
    Give each pair of a fluid-age band and a warmth one number.

    Parameters
    ----------
    band, warmth : ndarray of int, shape (ratings,)
        As ``band_of`` and ``warmth_of`` give them.

    Returns
    -------
    ndarray of int, shape (ratings,)
        Age band times three plus warmth; below 0 where either is not compared.
    """
    return np.where((band < 0) | (warmth < 0), np.minimum(band, BEYOND), band * WARMTHS + warmth)


def counting_bands(cell: FloatArray, in_b: BoolArray) -> BoolArray:
    """
    Tell which bands have enough vehicles of both groups.

    Parameters
    ----------
    cell : ndarray, shape (..., vehicles, bands)
        Cells.
    in_b : ndarray of bool, shape (vehicles,)
        Vehicles of group B.

    Returns
    -------
    ndarray of bool, shape (..., bands)
        True where at least three vehicles of each group have a cell.
    """
    here = ~np.isnan(cell)
    of_b = here[..., in_b, :].sum(axis=-2)
    of_a = here[..., ~in_b, :].sum(axis=-2)
    return np.asarray(np.minimum(of_a, of_b) >= LEAST_VEHICLES)


def scores(cell: FloatArray, counting: BoolArray) -> FloatArray:
    """
    Score each vehicle: mean over its counting bands of cell less the band's mean.

    Parameters
    ----------
    cell : ndarray, shape (..., vehicles, bands)
        Cells.
    counting : ndarray of bool, shape (..., bands)
        Bands that count.

    Returns
    -------
    ndarray, shape (..., vehicles)
        Score on the rating scale, NaN for a vehicle without a cell in a counting band.
    """
    here = ~np.isnan(cell) & counting[..., None, :]
    kept = np.where(here, cell, 0.0)
    middle = ratio(kept.sum(axis=-2), here.sum(axis=-2))
    above = np.where(here, kept - np.nan_to_num(middle)[..., None, :], 0.0)
    return ratio(above.sum(axis=-1), here.sum(axis=-1))


def compare(cell: FloatArray, in_b: BoolArray, stratum: IntArray) -> Compared:
    """
    Compare the groups of one trial at equal fluid age.

    Parameters
    ----------
    cell : ndarray, shape (vehicles, bands)
        Cells.
    in_b : ndarray of bool, shape (vehicles,)
        Vehicles of group B.
    stratum : ndarray of int, shape (vehicles,)
        Vehicles among which the groups were drawn; a matched pair is a stratum of two.

    Returns
    -------
    Compared
        A vehicle whose stratum has scores of one group only has no counterpart: not used.
    """
    cell = np.array(cell, np.float64)
    while True:
        counting = counting_bands(cell, in_b)
        used = np.isfinite(cell[:, counting]).sum(axis=1) > 0
        alone = used & ~_both_groups(used, in_b, stratum)
        if not alone.any():
            break
        cell[alone] = np.nan
    group = np.where(np.isnan(cell), np.nan, in_b[:, None].astype(np.float64))
    return Compared(counting, used, scores(cell, counting), scores(group, counting))


def _both_groups(used: BoolArray, in_b: BoolArray, stratum: IntArray) -> BoolArray:
    place = np.unique(stratum, return_inverse=True)[1]
    of_a = np.bincount(place, used & ~in_b)
    of_b = np.bincount(place, used & in_b)
    return np.asarray((np.minimum(of_a, of_b) > 0)[place])


def ratio(total: NDArray[Any], count: NDArray[Any]) -> FloatArray:
    """Mean from a sum and a count; NaN where nothing was counted."""
    result = np.full(np.shape(total), np.nan)
    np.divide(total, count, out=result, where=np.asarray(count) > 0)
    return result
