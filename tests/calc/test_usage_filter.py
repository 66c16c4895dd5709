"""The usage filter against filters that were not written from its formulas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from fleet.calc import usage
from tests.calc.usage_reference import SU, FloatArray, after, drives, kalman, one, transition

SEEDS = (1, 2, 3)


# Slow and fast ones leave the range 0.25 … 4 in which the noise follows the level.
@pytest.mark.parametrize("rate", [130.0, 14.0, 900.0])
@pytest.mark.parametrize("seed", SEEDS)
def test_the_filter_equals_a_matrix_exponential_kalman_filter(seed: int, rate: float) -> None:
    at_d, km = drives(seed, 40, rate)
    state = after(one(), at_d, km)
    last = kalman(0.4, np.diff(at_d, prepend=0.0), np.diff(km, prepend=0.0) / 100.0)[-1]
    mean, cov = last["mean"], last["cov"]
    got = [state.mu[0], state.u[0], state.p11[0], state.p12[0], state.p22[0]]
    want = [mean[0], mean[1], cov[0, 0], cov[0, 1], cov[1, 1]]
    np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_surprises_are_the_faded_squared_errors_of_that_filter(seed: int) -> None:
    at_d, km = drives(seed, 25, 70.0)
    days = np.diff(at_d, prepend=0.0)
    squared = [s["squared"] for s in kalman(0.4, days, np.diff(km, prepend=0.0) / 100.0)]
    fade = 0.5 ** ((at_d[-1] - at_d) / 365.0)
    state = after(one(), at_d, km)
    assert state.sw[0] == pytest.approx(fade.sum(), rel=1e-9)
    assert state.se[0] == pytest.approx((fade * np.minimum(squared, 25.0)).sum(), rel=1e-9)


def test_the_state_space_filter_of_statsmodels_agrees() -> None:
    at_d, km = drives(4, 30, 110.0)
    days, relative = np.diff(at_d, prepend=0.0), np.diff(km, prepend=0.0) / 100.0
    levels = [step["level"] for step in kalman(0.4, days, relative)]
    result = _statsmodels_filter(days, relative, levels).filter()
    state = after(one(), at_d, km)
    np.testing.assert_allclose(
        result.filtered_state[:2, -1], [state.mu[0], state.u[0]], rtol=1e-6, atol=1e-9
    )
    cov = result.filtered_state_cov[:2, :2, -1]
    want = [[state.p11[0], state.p12[0]], [state.p12[0], state.p22[0]]]
    np.testing.assert_allclose(cov, want, rtol=1e-6, atol=1e-9)


def _statsmodels_filter(days: FloatArray, relative: FloatArray, levels: list[float]) -> Any:
    """State (mu, u, I) predicted to each reading; I starts again from 0 after it."""
    n = days.size
    model = KalmanFilter(k_endog=1, k_states=3, k_posdef=3)
    model.bind(np.ascontiguousarray(relative))
    forward, noise = np.zeros((3, 3, n)), np.zeros((3, 3, n))
    for t in range(n):
        whole, noise[:, :, t] = transition(days[t], levels[t])
        forward[:, :2, t] = whole[:, :2]
    first_cov = np.zeros((3, 3))
    first_cov[:2, :2] = np.diag([0.4**2, SU**2])
    start_cov = forward[:, :, 0] @ first_cov @ forward[:, :, 0].T + noise[:, :, 0]
    start_mean = forward[:, :, 0] @ np.array([1.0, 0.0, 0.0])
    # statsmodels' matrices at t lead from reading t to reading t + 1.
    model["transition"] = np.concatenate((forward[:, :, 1:], forward[:, :, -1:]), axis=2)
    model["state_cov"] = np.concatenate((noise[:, :, 1:], noise[:, :, -1:]), axis=2)
    model["selection"] = np.eye(3)
    model["design"] = np.array([[0.0, 0.0, 1.0]])
    model["obs_cov"] = np.zeros((1, 1))
    model.initialize_known(start_mean, start_cov)
    return model


@pytest.mark.parametrize("rate", [90.0, 14.0, 900.0])
@pytest.mark.parametrize("h_d", [0.5, 20.0, 300.0])
def test_the_distance_ahead_equals_the_integrated_equations(h_d: float, rate: float) -> None:
    state = after(one(), *drives(5, 30, rate))
    mean, var = usage.moments(state, [h_d])
    forward, noise = transition(h_d, float(np.clip(state.mu[0], 0.25, 4.0)))
    cov = np.array([[state.p11[0], state.p12[0]], [state.p12[0], state.p22[0]]])
    spread = forward[:, :2] @ cov @ forward[:, :2].T + noise
    vf = (10 + state.se[0]) / (10 + state.sw[0])
    ahead = forward[:, :2] @ [state.mu[0], state.u[0]]
    lost = 0.005 * h_d / (h_d + 30)  # by spells to come
    spells = np.clip(state.mu[0], 0.25, 4.0) ** 2 * 2 * 30 * h_d * lost
    assert mean[0] == pytest.approx(100.0 * ahead[2] * (1 - lost), rel=1e-9)
    varied = np.clip(vf, 0.35, 4) * spread[2, 2] + spells
    assert var[0] == pytest.approx(100.0**2 * varied, rel=1e-9)
