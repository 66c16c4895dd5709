"""How good forecasts were: one score for sharpness and honesty, and counts of what came true.

A forecast is 39 quantiles at the levels 2.5 % … 97.5 %; what happened is one number. The score is
the continuous ranked probability score, twice the mean pinball loss over the levels (T. Gneiting
and A. E. Raftery, "Strictly proper scoring rules, prediction, and estimation", JASA 102 (2007)
359-378): 0 is perfect, and for a forecast without any spread it is the plain distance.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.calc.arrays import BoolArray, FloatArray

LEVELS: FloatArray = np.arange(1, 40) / 40
LOWEST, P10, P50, P90, HIGHEST = 0, 3, 19, 35, 38  # places of 2.5, 10, 50, 90 and 97.5 %
LARGE = 1e300  # stands in for "out of sight" where a logarithm is taken
CELLS = LEVELS.size + 1  # the levels cut the unit interval into so many equal cells


def crps(quantiles: ArrayLike, truth: ArrayLike) -> FloatArray:
    """
    Score of each forecast, in the unit of what was forecast.

    Parameters
    ----------
    quantiles : array_like, shape (n, 39)
        At `LEVELS`, rising.
    truth : array_like, shape (n,)
        What happened.

    Returns
    -------
    ndarray, shape (n,)
        ``2 · mean over p of (y − q)·(p − [y < q])``; never negative.
    """
    ahead = np.asarray(truth, np.float64)[:, None] - np.asarray(quantiles, np.float64)
    return np.asarray(2 * np.maximum(ahead * LEVELS, ahead * (LEVELS - 1)).mean(axis=1))


def inside(quantiles: ArrayLike, truth: ArrayLike, low: int, high: int) -> BoolArray:
    """Say what fell into the band between two places of `LEVELS`, its ends included."""
    levels, happened = np.asarray(quantiles, np.float64), np.asarray(truth, np.float64)
    return np.asarray((levels[:, low] <= happened) & (happened <= levels[:, high]))


def pit_counts(quantiles: ArrayLike, truth: ArrayLike) -> FloatArray:
    """
    Histogram of the probability that each forecast gave to "not later than what happened".

    Flat for honest forecasts, a valley for bands too narrow. Where several quantiles equal what
    happened (all of them capped), the case is spread over their cells: the histogram without
    random draws of C. Czado, T. Gneiting and L. Held, "Predictive model assessment for count
    data", Biometrics 65 (2009) 1254-1261.

    Parameters are those of `crps`.

    Returns
    -------
    ndarray, shape (40,)
        Cases per cell of 2.5 %; they add up to n.
    """
    levels, happened = np.asarray(quantiles, np.float64), np.asarray(truth, np.float64)[:, None]
    first = np.count_nonzero(levels < happened, axis=1)
    last = np.count_nonzero(levels <= happened, axis=1)
    share = 1.0 / (last - first + 1)
    steps = np.bincount(first, share, CELLS + 1) - np.bincount(last + 1, share, CELLS + 1)
    return np.asarray(np.cumsum(steps)[:CELLS])


def skill(own: ArrayLike, rival: ArrayLike) -> float:
    """
    Share of a rival's total score that a method saves: 1 perfect, 0 as good as the rival.

    NaN without cases, or where the rival is never wrong.
    """
    total = float(np.sum(np.asarray(rival, np.float64)))
    return 1 - float(np.sum(np.asarray(own, np.float64))) / total if total > 0 else float("nan")


def days_at(rate: ArrayLike, distance: ArrayLike, cap_d: float) -> FloatArray:
    """Days to cover a distance at a steady rate, at most ``cap_d``; a standing vehicle takes it."""
    per_day, left = np.broadcast_arrays(
        np.asarray(rate, np.float64), np.asarray(distance, np.float64)
    )
    moving = per_day * cap_d > left
    return np.where(moving, left / np.where(moving, per_day, 1.0), cap_d)


def needed_widening(p10: ArrayLike, p50: ArrayLike, p90: ArrayLike, days: ArrayLike) -> FloatArray:
    """
    Factor on the log-spread about p50 at which the band p10 … p90 just reaches what happened.

    Parameters
    ----------
    p10, p50, p90 : array_like, shape (n,)
        Days ahead, above 0 [d].
    days : array_like, shape (n,)
        What happened [d]; inf for "not within the follow-up".

    Returns
    -------
    ndarray, shape (n,)
        At most 1 for what the band holds already; inf where no widening would do.
    """
    low, middle, high, happened = (
        np.clip(np.asarray(value, np.float64), 1e-9, limit)
        for value, limit in ((p10, LARGE), (p50, LARGE), (p90, LARGE), (days, np.inf))
    )
    side = np.log(np.where(happened > middle, high, low)) - np.log(middle)
    off = np.log(happened) - np.log(middle)
    spread = np.isfinite(side) & (side != 0)
    return np.where(spread, off / np.where(spread, side, 1.0), np.where(off == 0, 0.0, np.inf))


@dataclass(frozen=True)
class Scored:
    """Forecasts and what happened; rows are cases, columns the distances or horizons asked."""

    own: FloatArray  # score of the program, days or km
    last_90: FloatArray  # score of "goes on like the last 90 days"
    lifetime: FloatArray  # score of "goes on like its lifetime so far"
    in_80: BoolArray
    in_95: BoolArray
    error: FloatArray  # expected less happened
    open_end: BoolArray  # the latest quantile lies beyond the follow-up
    cells: FloatArray  # (columns, 40) counts of the probability given to what happened

    @classmethod
    def of(
        cls,
        quantiles: FloatArray,
        truth: FloatArray,
        rivals: tuple[FloatArray, FloatArray],
        cap: float,
    ) -> Self:
        """Score quantiles (cases, columns, 39) against what happened (cases, columns)."""
        flat, happened = quantiles.reshape(-1, quantiles.shape[2]), truth.ravel()

        def shaped(values: NDArray[Any]) -> NDArray[Any]:
            return values.reshape(truth.shape)

        return cls(
            own=shaped(crps(flat, happened)),
            last_90=np.abs(rivals[0] - truth),
            lifetime=np.abs(rivals[1] - truth),
            in_80=shaped(inside(flat, happened, P10, P90)),
            in_95=shaped(inside(flat, happened, LOWEST, HIGHEST)),
            error=quantiles[:, :, P50] - truth,
            open_end=quantiles[:, :, HIGHEST] >= cap,
            cells=np.array(
                [pit_counts(quantiles[:, at], truth[:, at]) for at in range(truth.shape[1])]
            ).reshape(truth.shape[1], CELLS),
        )

    @classmethod
    def joined(cls, parts: list[Self]) -> Self:
        """Put the cases of several months together."""
        columns = {
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(cls)
            if field.name != "cells"
        }
        return cls(**columns, cells=np.sum([part.cells for part in parts], axis=0))
