"""Totals over many vehicles, whole distributions and not only means.

Quantities are whole numbers (millilitres or pieces), so totals lie on a grid whose step is their
greatest common divisor, and the distribution of a sum is the product of Fourier transforms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.common_factor import level_weights

ComplexArray = NDArray[np.complex128]

MOST_CELLS = 2**20  # a finer grid than this is left to the normal law
NORMAL_CELLS = 2**12
CELLS_AT_ONCE = 2**21  # of complex temporaries
SPREADS = 10  # standard deviations above the mean that the grid holds


@dataclass(frozen=True)
class Distribution:
    """Of a total; ``pmf[i]`` is the probability of ``step * i``."""

    step: int
    pmf: FloatArray

    @property
    def mean(self) -> float:
        """Mean, in the unit of the quantities."""
        return float(self.step * (self.pmf @ np.arange(len(self.pmf))))

    @property
    def var(self) -> float:
        """Variance, in the squared unit of the quantities."""
        at = np.arange(len(self.pmf)) * float(self.step)
        return float(self.pmf @ (at - self.mean) ** 2)

    def quantile(self, level: float) -> int:
        """Smallest total that is not exceeded with at least this probability."""
        reached = np.cumsum(self.pmf) >= level * self.pmf.sum() - 1e-12
        return int(self.step * np.argmax(reached)) if reached.any() else self._top

    def below(self, total: float) -> float:
        """Probability of less than a total."""
        return float(min(self.pmf[: max(math.ceil(total / self.step), 0)].sum(), 1.0))

    def at(self, total: int) -> float:
        """Probability of exactly a total."""
        place, rest = divmod(total, self.step)
        return float(self.pmf[place]) if rest == 0 and 0 <= place < len(self.pmf) else 0.0

    @property
    def _top(self) -> int:
        return self.step * (len(self.pmf) - 1)


NOTHING = Distribution(1, np.ones(1))


@dataclass(frozen=True)
class Conditional:
    """Of a total under each value of a common factor; ``pmf[j, i]`` belongs to ``step * i``."""

    step: int
    pmf: FloatArray  # (j, cells)

    def mixed(self) -> Distribution:
        """Without knowing the factor."""
        return Distribution(self.step, trimmed(self.pmf.mean(axis=0)))


def total(
    outcomes: ArrayLike, rho: ArrayLike, z: FloatArray, most_kinds: int | None = None
) -> Conditional:
    """
    Total of independent vehicles under each value of what they share.

    Parameters
    ----------
    outcomes : array_like of int, shape (n, levels)
        Quantity of each vehicle at each of its levels, not negative.
    rho : array_like, shape (n,)
        Correlation of each with the common factor.
    z : ndarray, shape (j,)
        Values of the factor, equally likely.
    most_kinds : int, optional
        Where more different vehicles have a part in it, the normal law of the same mean and
        variance is taken under each value of the factor: quicker, and near enough for a drawing.

    Returns
    -------
    Conditional
    """
    given = np.asarray(outcomes, np.int64)
    share = np.asarray(rho, np.float64)
    varying = given.any(axis=1)
    given, share = given[varying], share[varying]
    if not len(given):
        return Conditional(1, np.ones((len(z), 1)))
    rows, numbers = grouped(given, share)
    step = int(np.gcd.reduce(given, axis=None))
    values, place = np.unique(given[rows] // step, return_inverse=True)
    weights = _value_weights(place.reshape(len(rows), -1), len(values), share[rows], z)
    many = most_kinds is not None and len(rows) > most_kinds
    return _summed(step, values, weights, numbers, normal=many)


def grouped(outcomes: IntArray, rho: FloatArray) -> tuple[IntArray, IntArray]:
    """First row of each kind of vehicle, and how many there are of it."""
    # equal rows have equal keys, others practically never
    key = outcomes.astype(np.uint64) @ _mixer(outcomes.shape[1])
    key ^= np.round(rho * 1000).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    _, rows, numbers = np.unique(key, return_index=True, return_counts=True)
    return rows, numbers


@lru_cache(maxsize=8)
def _mixer(levels: int) -> NDArray[np.uint64]:
    """Odd numbers with which the levels of a row are mixed into one."""
    drawn = np.random.default_rng(20_011).integers(1, 2**63, levels, dtype=np.uint64)
    mixer = drawn * np.uint64(2) + np.uint64(1)
    mixer.flags.writeable = False
    return mixer


def _value_weights(place: IntArray, values: int, rho: FloatArray, z: FloatArray) -> FloatArray:
    """Probability of each value for each kind of vehicle and value of the factor: (g, v, j)."""
    weights = np.empty((len(place), values, len(z)))
    for one in np.unique(rho):
        rows = np.flatnonzero(rho == one)
        levels = level_weights(float(one), z, place.shape[1])
        for value in range(values):
            weights[rows, value] = (place[rows] == value) @ levels
    return weights


def _summed(
    step: int, values: IntArray, weights: FloatArray, numbers: IntArray, *, normal: bool
) -> Conditional:
    """Product of the transforms of all kinds of vehicles."""
    means = np.einsum("v,gvj->gj", values, weights)
    squares = np.einsum("v,gvj->gj", values * values, weights)
    mean = numbers @ means
    sd = np.sqrt(np.maximum(numbers @ (squares - means * means), 0.0))
    wanted = min(float((mean + SPREADS * sd).max()) + float(values[-1]), _most(values, numbers))
    cells = power_of_two(wanted)
    if cells > MOST_CELLS or normal:
        return _normal(step, mean, sd)
    turns = np.exp(-2j * np.pi * np.outer(values, np.arange(cells // 2 + 1)) / cells)
    product = np.ones((weights.shape[2], cells // 2 + 1), dtype=np.complex128)
    at_once = max(CELLS_AT_ONCE // product.size, 1)
    for bit in range(int(numbers.max()).bit_length()):
        rows = np.flatnonzero(numbers >> bit & 1)
        part = np.ones_like(product)
        for begin in range(0, len(rows), at_once):
            here = weights[rows[begin : begin + at_once]]
            part *= np.multiply.reduce(np.einsum("gvj,vk->gjk", here, turns, optimize=True), axis=0)
        for _ in range(bit):
            part *= part
        product *= part
    return Conditional(step, probabilities(product, cells))


def _most(values: IntArray, numbers: IntArray) -> float:
    return float(values[-1]) * float(numbers.sum())


def power_of_two(above: float) -> int:
    """Smallest power of two above a number."""
    return int(2 ** math.ceil(math.log2(above + 1.0 + 1e-9)))


def probabilities(transform: ComplexArray, cells: int) -> FloatArray:
    """Probabilities of 0 … cells − 1 from the half transform along the last axis."""
    pmf = np.maximum(np.fft.irfft(transform, cells, axis=-1), 0.0)  # tiny negatives are rounding
    return np.asarray(pmf / pmf.sum(axis=-1, keepdims=True))


def _normal(step: int, mean: FloatArray, sd: FloatArray) -> Conditional:
    """Take normal laws on a coarser grid."""
    top = float((mean + SPREADS * sd).max())
    coarse = math.ceil(top / NORMAL_CELLS)
    edges = (np.arange(NORMAL_CELLS + 1) + 0.5) * coarse
    below = ndtr((edges[None, :] - mean[:, None]) / np.maximum(sd, 1e-9)[:, None])
    pmf = np.diff(below, axis=1, prepend=0.0)
    return Conditional(step * coarse, pmf / pmf.sum(axis=1, keepdims=True))


def combined(parts: Sequence[Conditional]) -> Conditional:
    """Total of groups of vehicles that share the same factor."""
    step, fine = _on_one_grid([part.step for part in parts], [part.pmf for part in parts])
    return Conditional(step, _convolved(fine))


def added(parts: Sequence[Distribution]) -> Distribution:
    """Total of independent parts."""
    if not parts:
        return NOTHING
    step, fine = _on_one_grid([part.step for part in parts], [part.pmf for part in parts])
    return Distribution(step, trimmed(_convolved(fine)))


def _on_one_grid(steps: Sequence[int], pmfs: Sequence[FloatArray]) -> tuple[int, list[FloatArray]]:
    """All on the grid of the greatest common step, coarser where that would not fit."""
    longest = sum(step * (pmf.shape[-1] - 1) for step, pmf in zip(steps, pmfs, strict=True))
    mattering = [s for s, pmf in zip(steps, pmfs, strict=True) if pmf.shape[-1] > 1] or [1]
    step = max(math.gcd(*mattering), math.ceil(longest / MOST_CELLS))
    return step, [_regridded(pmf, old, step) for old, pmf in zip(steps, pmfs, strict=True)]


def _regridded(pmf: FloatArray, old: int, new: int) -> FloatArray:
    if old == new or pmf.shape[-1] == 1:
        return pmf
    place = np.rint(np.arange(pmf.shape[-1]) * (old / new)).astype(np.int64)
    result = np.zeros((*pmf.shape[:-1], int(place[-1]) + 1))
    for cell, at in enumerate(place):
        result[..., at] += pmf[..., cell]
    return result


def _convolved(pmfs: Sequence[FloatArray]) -> FloatArray:
    cells = power_of_two(sum(pmf.shape[-1] - 1 for pmf in pmfs))
    product = np.ones(1, dtype=np.complex128)
    for pmf in pmfs:
        product = product * np.fft.rfft(pmf, cells, axis=-1)
    return probabilities(product, cells)


def trimmed(pmf: FloatArray) -> FloatArray:
    """Leave out the far end where nothing is left."""
    kept = np.flatnonzero(pmf > 1e-15)
    return pmf[: int(kept[-1]) + 1] if len(kept) else pmf[:1]
