"""Draw the groups of a trial: at random within strata, or one of each matched pair."""

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import BoolArray, IntArray

LEFT_OUT = -1


def draw_groups(stratum: ArrayLike, seed: int) -> BoolArray:
    """
    Draw half of each stratum.

    Parameters
    ----------
    stratum : array_like of int, shape (vehicles,)
        Vehicles are drawn among those of the same stratum.
    seed : int
        The same again gives the same groups.

    Returns
    -------
    ndarray of bool, shape (vehicles,)
        True for the tried product. Where a stratum is odd, the one too many goes to either group
        in turn, from a coin on, so that the groups stay equal.
    """
    strata = np.asarray(stratum, np.int64)
    rng = np.random.default_rng(seed)
    more = int(rng.integers(2))
    tried = np.zeros(strata.size, bool)
    for one in np.unique(strata):
        here = rng.permutation(np.flatnonzero(strata == one))
        half, odd = divmod(here.size, 2)
        tried[here[: half + odd * more]] = True
        more = (more + odd) % 2
    return tried


def match_pairs(block: ArrayLike, measure: ArrayLike) -> IntArray:
    """
    Pair neighbours in a measure within each block.

    Parameters
    ----------
    block : array_like of int, shape (vehicles,)
        Only vehicles of the same block are paired (a depot).
    measure : array_like, shape (vehicles,)
        What makes them alike (km per day).

    Returns
    -------
    ndarray of int, shape (vehicles,)
        Number of the pair, -1 for one that is left over.
    """
    blocks, alike = np.asarray(block, np.int64), np.asarray(measure, np.float64)
    pair = np.full(blocks.size, LEFT_OUT)
    count = 0
    for one in np.unique(blocks):
        here = np.flatnonzero(blocks == one)
        here = here[np.argsort(alike[here], kind="stable")]
        pairs = here.size // 2
        pair[here[: 2 * pairs]] = count + np.arange(2 * pairs) // 2
        count += pairs
    return pair
