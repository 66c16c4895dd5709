"""The usage model written a second time, from its differential equations, for comparison.

State x = (mu, u, I) with I the distance since the last filtered reading relative to R:

    dmu = c·√q dW₁      du = −u/tau dt + su·c·√(2/tau) dW₂      dI = (mu + u) dt + c·√kap dW₃

Transition by matrix exponential, noise by C. F. Van Loan, "Computing integrals involving the
matrix exponential", IEEE Trans. Automatic Control 23 (1978) 395-404; then textbook Kalman steps
on the observation I = d/R.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import expm

from fleet.calc import usage

FloatArray = NDArray[np.float64]

KAP, SU, TAU, Q = 1.2, 0.28, 80.0, 1e-4
DRIFT = np.array([[0.0, 0.0, 0.0], [0.0, -1 / TAU, 0.0], [1.0, 1.0, 0.0]])


def transition(days: float, level: float) -> tuple[FloatArray, FloatArray]:
    """Transition matrix and noise covariance over ``days`` at noise level c."""
    diffusion = level**2 * np.diag([Q, 2 * SU**2 / TAU, KAP])
    block = np.zeros((6, 6))
    block[:3, :3], block[:3, 3:], block[3:, 3:] = -DRIFT, diffusion, DRIFT.T
    grown = expm(block * days)
    forward = grown[3:, 3:].T
    return forward, forward @ grown[:3, 3:]


def kalman(spread: float, days: FloatArray, relative: FloatArray) -> list[dict[str, Any]]:
    """Filter increments ``relative`` = d/R over ``days``; one dict per step."""
    mean, cov = np.array([1.0, 0.0]), np.diag([spread**2, SU**2])
    steps: list[dict[str, Any]] = []
    for delta, seen in zip(days, relative, strict=True):
        level = float(np.clip(mean[0], 0.25, 4.0))
        forward, noise = transition(delta, level)
        ahead = forward[:, :2] @ mean
        spread_ahead = forward[:, :2] @ cov @ forward[:, :2].T + noise
        gain = spread_ahead[:, 2] / spread_ahead[2, 2]
        full = ahead + gain * (seen - ahead[2])
        after = spread_ahead - np.outer(gain, spread_ahead[2])
        mean, cov = full[:2], after[:2, :2]
        squared = (seen - ahead[2]) ** 2 / spread_ahead[2, 2]
        steps.append({"mean": mean, "cov": cov, "squared": squared, "level": level})
    return steps


def drives(seed: int, n: int, rate: float) -> tuple[FloatArray, FloatArray]:
    """Instants [d] and total km of n invented readings after one at day 0, 0 km."""
    rng = np.random.default_rng(seed)
    days = rng.choice([7.0, 14.0, 28.0, 30.5, 61.0], n)
    km = np.maximum(days * rate * (1 + 0.25 * rng.standard_normal(n)), 0.0)
    return np.cumsum(days), np.cumsum(km)


def one(spread: float = 0.4, rate: float = 100.0) -> usage.State:
    """One meter started at day 0, 0 km."""
    return usage.start([0.0], [0.0], rate, spread)


def after(
    state: usage.State, at_d: ArrayLike, km: ArrayLike, shift: ArrayLike | None = None
) -> usage.State:
    """One meter after the given readings."""
    return usage.advance(state, usage.Events.of([0, np.size(at_d)], at_d, km, shift))
