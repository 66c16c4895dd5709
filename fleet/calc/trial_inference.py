"""
Whether two groups of a field trial differ, by re-drawing the groups as they were drawn.

Group labels are permuted within strata (a matched pair is a stratum of two): R. A. Fisher, "The
Design of Experiments", 1935, section 21. The interval inverts the same test, so that p <= .05
exactly when 0 lies outside.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb, floor, prod

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.trial_cells import Compared

MOST_EXACT = 20_000  # arrangements gone through one by one
DRAWS = 100_000
LEVEL = 0.05  # our choice
TIE = 1e-9
CHUNK = 10_000


@dataclass(frozen=True)
class Groups:
    """How the vehicles were drawn into groups; A is compared with B."""

    in_b: BoolArray  # (vehicles,)
    stratum: IntArray  # (vehicles,)

    def of(self, used: BoolArray) -> "Groups":
        """Only some of the vehicles."""
        return Groups(self.in_b[used], self.stratum[used])

    @property
    def sizes(self) -> tuple[tuple[int, int], ...]:
        """Vehicles and vehicles of B, stratum by stratum in rising order."""
        place = np.unique(self.stratum, return_inverse=True)[1]
        whole, of_b = np.bincount(place), np.bincount(place, self.in_b)
        return tuple(zip(whole.tolist(), of_b.astype(int).tolist(), strict=True))


@dataclass(frozen=True)
class Inference:
    """The outcome of a comparison; NaN where there are too few vehicles for one."""

    difference: float  # B less A on the rating scale
    low: float
    high: float
    p_value: float
    arrangements: int  # in which the groups could have been drawn
    exact: bool  # every arrangement was looked at


def arrangement_count(sizes: tuple[tuple[int, int], ...]) -> int:
    """Count the ways in which the groups could have been drawn."""
    return prod(comb(whole, of_b) for whole, of_b in sizes)


def enough(sizes: tuple[tuple[int, int], ...]) -> bool:
    """Tell whether the smallest possible p does not exceed .05."""
    return 2 / arrangement_count(sizes) <= LEVEL


def is_over(past_the_end: bool, counted: IntArray, planned: int) -> bool:
    """
    Whether the one planned look is due: at the end, or once every rating that was planned is in.

    Parameters
    ----------
    counted : (vehicles,)
        Ratings of each vehicle that count.
    planned : int
        Ratings of each vehicle.
    """
    return past_the_end or bool(counted.size and (counted >= planned).all())


def infer(compared: Compared, groups: Groups, seed: int, draws: int = DRAWS) -> Inference:
    """
    Difference, interval and p of one trial.

    Parameters
    ----------
    compared : Compared
        Vehicle scores.
    groups : Groups
        All vehicles of the trial.
    seed : int
        Of the draws, where there are too many arrangements to go through.
    draws : int
        How many.

    Returns
    -------
    Inference
        p is twice the smaller one-sided share, at most 1, the groups as drawn included. The
        difference is T / a, with a the statistic of the group indicator through the same cells:
        cells missing on one side pull T towards 0, and a by the same share.
    """
    found = estimate(compared, groups)
    kept = groups.of(compared.used)
    if np.isnan(found.difference) or not enough(kept.sizes):
        return found
    count, difference = found.arrangements, found.difference
    score = np.column_stack([compared.score, compared.indicator])[compared.used]
    seen = difference_of_means(kept.in_b[None].astype(np.float64), score)[0]
    rows = arrangements(kept, seed, draws)
    others = np.concatenate(
        [difference_of_means(rows[at : at + CHUNK], score) for at in range(0, len(rows), CHUNK)]
    )
    low, high = _interval(seen, others)
    p_value = float(two_sided(seen[0], others[:, 0]))
    return Inference(difference, low, high, p_value, count, exact=count <= MOST_EXACT)


def estimate(compared: Compared, groups: Groups) -> Inference:
    """
    Estimate the difference alone, for a look before the end.

    Parameters
    ----------
    compared : Compared
        Vehicle scores.
    groups : Groups
        All vehicles of the trial.

    Returns
    -------
    Inference
        Without interval and p.
    """
    kept = groups.of(compared.used)
    count = arrangement_count(kept.sizes)
    if not kept.in_b.any() or kept.in_b.all():
        return Inference(np.nan, np.nan, np.nan, np.nan, count, exact=True)
    score = np.column_stack([compared.score, compared.indicator])[compared.used]
    seen = difference_of_means(kept.in_b[None].astype(np.float64), score)[0]
    return Inference(float(seen[0] / seen[1]), np.nan, np.nan, np.nan, count, exact=True)


def arrangements(groups: Groups, seed: int, draws: int = DRAWS) -> BoolArray:
    """
    Re-draw the groups in every way, or in many ways with the one at hand among them.

    Parameters
    ----------
    groups : Groups
        How they were drawn.
    seed, draws : int
        Of the draws, beyond 20,000 arrangements.

    Returns
    -------
    ndarray of bool, shape (arrangements or draws + 1, vehicles)
        True for B.
    """
    sizes = groups.sizes
    exact = arrangement_count(sizes) <= MOST_EXACT
    rows = _every(sizes) if exact else _drawn(sizes, seed, draws)
    order = np.argsort(groups.stratum, kind="stable")
    result = np.empty_like(rows)
    result[:, order] = rows
    return result if exact else np.concatenate([groups.in_b[None], result])


def difference_of_means(in_b: BoolArray | FloatArray, score: FloatArray) -> FloatArray:
    """
    Mean score of B less mean score of A.

    Parameters
    ----------
    in_b : ndarray, shape (arrangements, vehicles)
        True or 1 for B.
    score : ndarray, shape (vehicles, columns)
        Scores.

    Returns
    -------
    ndarray, shape (arrangements, columns)
        The statistic.
    """
    of_b = in_b.astype(np.float64)
    count = of_b.sum(axis=1, keepdims=True)
    total = of_b @ score
    return np.asarray(total / count - (score.sum(axis=0) - total) / (len(score) - count))


def two_sided(seen: FloatArray | float, others: FloatArray) -> FloatArray:
    """
    Twice the smaller share of arrangements at least as far out, at most 1.

    Parameters
    ----------
    seen : ndarray, shape (columns,)
        The statistic as drawn.
    others : ndarray, shape (arrangements, columns)
        The statistic in every arrangement.

    Returns
    -------
    ndarray, shape (columns,)
        p.
    """
    above = (others >= seen - TIE).mean(axis=0)
    below = (others <= seen + TIE).mean(axis=0)
    return np.asarray(np.minimum(2 * np.minimum(above, below), 1.0))


def _interval(seen: FloatArray, others: FloatArray) -> tuple[float, float]:
    """Find the ends of the differences that the test does not refuse.

    A difference d is refused from below when few arrangements have T - d a at or above the one
    seen, that is (T_seen - T) / (a_seen - a) <= d.
    """
    rise, run = seen[0] - others[:, 0], seen[1] - others[:, 1]
    rise = np.where(np.abs(rise) <= TIE, 0.0, rise)
    fixed = run <= TIE  # the arrangement seen, or one that no difference tells from it
    least = np.sort(_end(rise, run, fixed, np.where(rise <= 0, -np.inf, np.inf)))
    most = np.sort(_end(rise, run, fixed, np.where(rise >= 0, np.inf, -np.inf)))
    refused = floor(LEVEL / 2 * len(rise) + TIE)
    return float(least[refused]), float(most[len(rise) - 1 - refused])


def _end(rise: FloatArray, run: FloatArray, fixed: BoolArray, otherwise: FloatArray) -> FloatArray:
    return np.where(fixed, otherwise, rise / np.where(fixed, 1.0, run))


@lru_cache(maxsize=64)
def _every(sizes: tuple[tuple[int, int], ...]) -> BoolArray:
    rows = np.zeros((1, 0), dtype=bool)
    for whole, of_b in sizes:
        part = _choices(whole, of_b)
        left, right = np.repeat(rows, len(part), axis=0), np.tile(part, (len(rows), 1))
        rows = np.concatenate([left, right], axis=1)
    return rows


def _choices(whole: int, of_b: int) -> BoolArray:
    chosen = np.array(list(combinations(range(whole), of_b)), dtype=np.int64)
    part = np.zeros((len(chosen), whole), dtype=bool)
    part[np.arange(len(chosen))[:, None], chosen.reshape(len(chosen), of_b)] = True
    return part


def _drawn(sizes: tuple[tuple[int, int], ...], seed: int, draws: int) -> BoolArray:
    rng = np.random.default_rng(seed)
    parts = [
        rng.permuted(np.tile(np.arange(whole) < of_b, (draws, 1)), axis=1) for whole, of_b in sizes
    ]
    return np.concatenate(parts, axis=1)
