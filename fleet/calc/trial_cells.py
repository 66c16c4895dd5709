"""
Ratings of a field trial compared at equal fluid age.

Any fresh fluid feels better at once, so ratings inside the run-in period never count. What is
left is laid into bands of fluid age; a cell is the mean rating of one vehicle in one band. Arrays
may carry any number of leading axes (simulated trials).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

RUN_IN_KM, RUN_IN_D = 1_000.0, 30.0  # both must have passed; our choice
BANDS = 4
LEAST_VEHICLES = 3  # of each group with a cell, for a band to count
IN_RUN_IN, BEYOND = -1, -2


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


def cells(vehicle: ArrayLike, band: ArrayLike, value: ArrayLike, vehicles: int) -> FloatArray:
    """
    Average the ratings of each vehicle in each band.

    Parameters
    ----------
    vehicle, band : array_like of int, shape (ratings,)
        Row of the vehicle; band as ``band_of`` gives it.
    value : array_like, shape (ratings,)
        Ratings, 1 to 5.
    vehicles : int
        How many vehicles there are.

    Returns
    -------
    ndarray, shape (vehicles, bands)
        Mean rating, NaN where there is none.
    """
    rows, columns = np.asarray(vehicle, np.int64), np.asarray(band, np.int64)
    kept = columns >= 0
    place = rows[kept] * BANDS + columns[kept]
    size = vehicles * BANDS
    total = np.bincount(place, np.asarray(value, np.float64)[kept], size)
    return ratio(total, np.bincount(place, minlength=size)).reshape(vehicles, BANDS)


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
    enough: BoolArray = np.minimum(of_a, of_b) >= LEAST_VEHICLES
    return enough


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
    both: BoolArray = (np.minimum(of_a, of_b) > 0)[place]
    return both


def ratio(total: NDArray[Any], count: NDArray[Any]) -> FloatArray:
    """Mean from a sum and a count; NaN where nothing was counted."""
    result = np.full(np.shape(total), np.nan)
    np.divide(total, count, out=result, where=np.asarray(count) > 0)
    return result
