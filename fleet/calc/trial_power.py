"""
How many vehicles a field trial needs, asked before it begins.

Simulated ratings are rounded, clipped normals: a mean, a vehicle's own lean, and the rest. They
go through the same bands, scores and re-drawing as real ones.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import ceil

import numpy as np
from numpy.typing import ArrayLike

from fleet.calc.arrays import BoolArray, FloatArray
from fleet.calc.trial_cells import (
    BANDS,
    counting_bands,
    ratio,
    scores,
)
from fleet.calc.trial_inference import (
    LEVEL,
    Groups,
    arrangements,
    difference_of_means,
    enough,
    two_sided,
)

WORST, BEST = 1, 5
BETWEEN_SD, WITHIN_SD = 0.6, 0.9  # on the rating scale, until past ratings say; our choice
LEAST_PAST = 30  # ratings, before past ones are believed; our choice
WANTED = 0.82  # power, our choice: above .8, so that the simulation's own error does not matter
RUNS = 2_000
DRAWS = 999  # arrangements looked at in each run
LEAST_DRAWN, LEAST_PAIRS = 4, 6  # 2 / C(8, 4) and 2 / 2**6 are the first at or below .05
MOST = 400  # per group, our choice: ratings cannot show a smaller difference
TOO_SMALL = 0.1  # of a grade: beyond 400 vehicles per group with the usual spreads; our choice
FIT_FROM = 0.6  # of the normal approximation, from where the search begins
CHUNK = 200


class OutOfReach(Exception):
    """No number of vehicles that a fleet would try is enough."""


@dataclass(frozen=True)
class Plan:
    """What is known before the trial."""

    difference: float  # the smallest that matters, on the rating scale
    pairs: bool = False  # matched pairs instead of a random draw
    ratings: int = 8  # per vehicle, after run-in
    missing: float = 0.1  # share of them
    mean: float = 3.0  # of the usual product, before rounding
    between_sd: float = BETWEEN_SD
    within_sd: float = WITHIN_SD

    @property
    def least(self) -> int:
        """Vehicles per group of the smallest design that can show anything."""
        return LEAST_PAIRS if self.pairs else LEAST_DRAWN


@lru_cache(maxsize=256)
def vehicles_needed(plan: Plan, seed: int = 0) -> int:
    """
    Vehicles per group that find the difference often enough.

    Parameters
    ----------
    plan : Plan
        What is known before the trial.
    seed : int
        Of the simulation.

    Returns
    -------
    int
        The first n for which n and n + 1 both reach a power of .82.

    Raises
    ------
    OutOfReach
        More than 400 per group.
    """
    left = abs(effect_left(plan))
    if left < TOO_SMALL:
        raise OutOfReach
    spread = plan.between_sd**2 + plan.within_sd**2 / max(plan.ratings, 1)
    guess = FIT_FROM * 2 * (1.96 + 0.92) ** 2 * spread / left**2
    reached = False
    for vehicles in range(max(plan.least, ceil(guess)), MOST + 2):
        before, reached = reached, _suffice(plan, vehicles, seed)
        if before and reached:
            return vehicles - 1
    raise OutOfReach


@lru_cache(maxsize=1024)
def power(plan: Plan, vehicles: int, seed: int = 0, runs: int = RUNS) -> float:
    """
    Share of simulated trials in which the difference is shown.

    Parameters
    ----------
    plan : Plan
        What is known before the trial.
    vehicles : int
        Vehicles per group.
    seed, runs : int
        Of the simulation.

    Returns
    -------
    float
        Share of runs with p <= .05.
    """
    return sum(shown for shown, _ in _chunks(plan, vehicles, seed, runs)) / runs


def _suffice(plan: Plan, vehicles: int, seed: int) -> bool:
    """Whether so many reach the power wanted; ends once the runs to come cannot change that."""
    shown, left = 0, RUNS
    for more, runs in _chunks(plan, vehicles, seed, RUNS):
        shown, left = shown + more, left - runs
        if shown / RUNS >= WANTED or (shown + left) / RUNS < WANTED:
            break
    return shown / RUNS >= WANTED


def _chunks(plan: Plan, vehicles: int, seed: int, runs: int) -> Iterator[tuple[int, int]]:
    """In how many simulated trials the difference is shown, of how many, chunk by chunk."""
    rng = np.random.default_rng([seed, vehicles])
    in_b = np.arange(2 * vehicles) >= vehicles
    for chunk in range(0, runs, CHUNK):
        some = min(CHUNK, runs - chunk)
        cell = _simulate(plan, in_b, rng, some)
        score = scores(cell, counting_bands(cell, in_b))
        yield sum(_shown(part, groups, seed) for part, groups in _alike(score, in_b, plan)), some


def effect_left(plan: Plan) -> float:
    """
    Difference of mean ratings that is left when grades end at 1 and 5.

    Parameters
    ----------
    plan : Plan
        What is known before the trial.

    Returns
    -------
    float
        On the rating scale; less than the difference put in wherever grades pile up at an end.
    """
    spread = float(np.hypot(plan.between_sd, plan.within_sd))
    usual, tried = mean_grade([plan.mean, plan.mean + plan.difference], spread)
    return float(tried - usual)


def mean_grade(mean: ArrayLike, sd: float) -> FloatArray:
    """
    Mean of a normal value rounded to a whole grade and clipped to 1 … 5.

    Parameters
    ----------
    mean : array_like
        Before rounding.
    sd : float
        Before rounding.

    Returns
    -------
    ndarray
        Sum over k of P(grade > k), plus 1.
    """
    from scipy.special import ndtr  # not before it is needed: it takes a moment

    steps = np.arange(WORST, BEST) + 0.5
    above: FloatArray = ndtr((np.asarray(mean, np.float64)[..., None] - steps) / sd)
    return np.asarray(WORST + above.sum(axis=-1))


def spreads(vehicle: ArrayLike, value: ArrayLike) -> tuple[float, float] | None:
    """
    Between-vehicle and within-vehicle sd of past ratings.

    Parameters
    ----------
    vehicle : array_like of int, shape (ratings,)
        Vehicle that each is about.
    value : array_like, shape (ratings,)
        Ratings.

    Returns
    -------
    tuple of float or None
        From a one-way analysis of variance (the between part not below 0); none with fewer than
        30 ratings or without a vehicle rated twice.
    """
    grades = np.asarray(value, np.float64)
    place = np.unique(np.asarray(vehicle), return_inverse=True)[1]
    count = np.bincount(place) if grades.size else np.zeros(0, int)
    free, groups = grades.size - count.size, count.size
    if grades.size < LEAST_PAST or free < 1 or groups < 2:
        return None
    middle = np.bincount(place, grades) / count
    within = float(((grades - middle[place]) ** 2).sum() / free)
    between = float((count * (middle - grades.mean()) ** 2).sum() / (groups - 1))
    each = (grades.size - (count**2).sum() / grades.size) / (groups - 1)
    return float(np.sqrt(max((between - within) / each, 0.0))), float(np.sqrt(within))


def _simulate(plan: Plan, in_b: BoolArray, rng: np.random.Generator, runs: int) -> FloatArray:
    """Cells of simulated trials, shape (runs, vehicles, bands); rating j lies in band j mod 4."""
    shape = (runs, in_b.size, plan.ratings)
    lean = rng.normal(plan.mean, plan.between_sd, (runs, in_b.size)) + plan.difference * in_b
    grade = np.clip(np.rint(rng.normal(lean[..., None], plan.within_sd, shape)), WORST, BEST)
    rated = rng.random(shape) >= plan.missing
    cell = np.full((runs, in_b.size, BANDS), np.nan)
    for band in range(min(BANDS, plan.ratings)):
        here = rated[..., band::BANDS]
        cell[..., band] = ratio((grade[..., band::BANDS] * here).sum(-1), here.sum(-1))
    return cell


def _alike(score: FloatArray, in_b: BoolArray, plan: Plan) -> Iterator[tuple[FloatArray, Groups]]:
    """Sort runs by how many scores each group has (pair by pair); scores (vehicles, runs)."""
    rated = ~np.isnan(score)
    half = score.shape[1] // 2
    if plan.pairs:
        rated = np.tile(rated[:, :half] & rated[:, half:], 2)
    of_a, of_b = rated[:, ~in_b].sum(axis=1), rated[:, in_b].sum(axis=1)
    for counts in np.unique(np.column_stack([of_a, of_b]), axis=0):
        runs = np.flatnonzero((of_a == counts[0]) & (of_b == counts[1]))
        part = score[runs][rated[runs]].reshape(runs.size, -1).T
        group = np.repeat([False, True], counts)
        pair = (
            np.arange(group.size) % counts[0] if plan.pairs and counts[0] else np.zeros(group.size)
        )
        yield part, Groups(group, pair.astype(np.int64))


def _shown(score: FloatArray, groups: Groups, seed: int) -> int:
    if not groups.in_b.any() or groups.in_b.all() or not enough(groups.sizes):
        return 0
    rows = _few(groups, seed)
    seen = difference_of_means(groups.in_b[None], score)[0]
    return int((two_sided(seen, difference_of_means(rows, score)) <= LEVEL).sum())


def _few(groups: Groups, seed: int) -> BoolArray:
    """Every arrangement where they are few, else some of them."""
    rows = arrangements(groups, seed, DRAWS)
    if len(rows) <= DRAWS + 1:
        return rows
    picked = np.random.default_rng(seed).choice(len(rows), DRAWS, replace=False)
    return np.concatenate([groups.in_b[None], rows[picked]])
