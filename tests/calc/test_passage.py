"""The day a limit is reached, against exact Gamma laws, other laws and simulated vehicles."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from fleet.calc import usage
from fleet.calc.passage import Moments, passage_cdf, passage_quantiles
from tests.calc.usage_reference import KAP, SU, TAU, Q, after, one

FloatArray = NDArray[np.float64]
LEVELS = [0.1, 0.5, 0.9]


def steady(rate: float, var_per_d: float) -> Moments:
    """Mean and variance both growing in proportion to time."""
    return lambda h: (rate * h, var_per_d * h)


# Closed form: X(t) Gamma with shape 0.5 t and scale 100 km, limit 5,000 km.
@pytest.mark.parametrize(
    ("days", "expected"), [(90, 0.221040233), (100, 0.481191685), (110, 0.742306049)]
)
def test_the_probability_of_having_arrived_is_the_exact_gamma_law(
    days: float, expected: float
) -> None:
    assert passage_cdf(50 * days, 5000 * days, 5000) == pytest.approx(expected, abs=1e-9)


def test_the_median_day_of_that_law_is_met_to_a_fiftieth_of_a_day() -> None:
    days = passage_quantiles(steady(50, 5000), [5000], LEVELS)[0]
    assert days[1] == pytest.approx(100.66588, abs=0.02)  # closed form
    for level, got in zip(LEVELS, days, strict=True):
        exact = brentq(lambda t, p=level: stats.gamma.sf(5000, 0.5 * t, scale=100) - p, 1, 1000)
        assert got == pytest.approx(exact, abs=0.02)


@pytest.mark.parametrize("distance", [800.0, 9_000.0, 40_000.0])
def test_other_gamma_laws_are_met_within_a_hundredth(distance: float) -> None:
    law: Moments = lambda h: (80 * h, 900 * h + 0.04 * (80 * h) ** 2)  # noqa: E731
    for level, got in zip(LEVELS, passage_quantiles(law, [distance], LEVELS)[0], strict=True):
        exact = brentq(lambda h, p=level: float(passage_cdf(*law(h), distance)) - p, 0.1, 3000)
        assert got == pytest.approx(exact, rel=0.01)


def test_without_spread_every_level_is_the_day_by_plain_division() -> None:
    # The shape is capped at 10⁶: a spread of a thousandth remains.
    days = passage_quantiles(steady(50, 0), [10_000, 77.0], LEVELS)
    np.testing.assert_allclose(days, [[200] * 3, [1.54] * 3], rtol=2e-3)
    np.testing.assert_allclose(days[:, 1], [200, 1.54], rtol=1e-5)


# Rows worked out with the first prototype of the method: start, then 10/50/90 % days to 10,000 km
# at R = 100, spread .4; figures rounded to the day.
WEEKS = 7.0 * np.arange(1, 53)
STEADY = (WEEKS, 100 * WEEKS)
HISTORIES = {
    "one reading": (([], []), (60.2, 108.5, 212.9)),
    "one week": (([7.0], [700.0]), (68.4, 104.5, 169.2)),
    "52 steady weeks": (STEADY, (82.4, 101.3, 125.6)),
    "two years without a reading": (
        (np.append(WEEKS, 1094.0), np.append(100 * WEEKS, 109_400.0)),
        (76.6, 102.1, 137.3),
    ),
}


@pytest.mark.parametrize("name", HISTORIES)
def test_known_histories_give_the_days_of_the_prototype(name: str) -> None:
    (at_d, km), expected = HISTORIES[name]
    state = after(one(), at_d, km)
    days = passage_quantiles(usage.law(state).moments, [10_000], LEVELS)[0]
    np.testing.assert_allclose(days, expected, atol=0.051)


def test_the_first_crossing_counts_when_a_curve_falls_again() -> None:
    # M·G at p = .9 climbs to a peak near day 400 and falls back below the limit by day 1,000.
    law: Moments = lambda h: (10 * h, (10 * h) ** 2 * (0.01 + (h / 900) ** 2))  # noqa: E731
    grid = np.linspace(1, 1500, 200_001)
    k = 1 / (0.01 + (grid / 900) ** 2)
    z = stats.norm.ppf(0.1)
    curve = 10 * grid * np.maximum(1 - 1 / (9 * k) + z / (3 * np.sqrt(k)), 1e-3) ** 3
    limit = 0.8 * curve.max()
    assert curve[-1] < limit
    first = grid[np.argmax(curve >= limit)]
    assert passage_quantiles(law, [limit], [0.9])[0, 0] == pytest.approx(first, abs=0.01)


def test_a_limit_out_of_sight_has_no_day() -> None:
    days = passage_quantiles(steady(1.0, 0.0), [3_600.0, 3_700.0], [0.5])
    assert days[0, 0] == pytest.approx(3600, rel=1e-4)
    assert np.isposinf(days[1, 0])


def test_a_vehicle_that_never_moves_never_arrives() -> None:
    assert np.isposinf(passage_quantiles(steady(0.0, 0.0), [1.0], LEVELS)).all()
    assert passage_cdf(0, 0, 1) == 0


def test_a_limit_met_within_the_hour_is_answered_with_the_soonest_day() -> None:
    assert passage_quantiles(steady(500, 10), [1e-6], [0.5])[0, 0] == pytest.approx(0.05)


def test_nothing_left_is_certain() -> None:
    assert list(passage_cdf([100, 0], [10, 0], [0, -5])) == [1, 1]


def test_whole_numbers_give_the_same_as_floats_for_the_day() -> None:
    whole = passage_quantiles(steady(50, 5000), [5000, 900], LEVELS)
    np.testing.assert_array_equal(whole, passage_quantiles(steady(50, 5000), [5e3, 9e2], LEVELS))
    assert passage_cdf(4500, 450_000, 5000) == passage_cdf(4500.0, 450_000.0, 5000.0)


def simulated_days(state: usage.State, limit_km: float, paths: int, seed: int) -> FloatArray:
    """First day at which paths of the usage equations, in steps of half a day, reach the limit."""
    rng, step_d = np.random.default_rng(seed), 0.5
    cov = np.array([[state.p11[0], state.p12[0]], [state.p12[0], state.p22[0]]])
    mu, u = rng.multivariate_normal([state.mu[0], state.u[0]], cov, paths).T
    c, keep = float(np.clip(state.mu[0], 0.25, 4)), np.exp(-step_d / TAU)
    kap = KAP + 2 * 30 * 0.005  # spells to come, half a percent of the distance, 30 days long
    km, days = np.zeros(paths), np.full(paths, np.inf)
    for step in range(1, 2000):
        noise = c * np.sqrt(kap * step_d) * rng.standard_normal(paths)
        km += 100 * (0.995 * (mu + u) * step_d + noise)
        mu += c * np.sqrt(Q * step_d) * rng.standard_normal(paths)
        u = keep * u + SU * c * np.sqrt(1 - keep**2) * rng.standard_normal(paths)
        days = np.where((km >= limit_km) & np.isinf(days), step * step_d, days)
    return days


@pytest.mark.parametrize("limit_km", [5_000.0, 15_000.0])
def test_simulated_vehicles_arrive_as_forecast(limit_km: float) -> None:
    state = after(one(), *STEADY)
    state.sw[:], state.se[:] = 0.0, 0.0  # the equations know nothing of the inflation
    arrived = simulated_days(state, limit_km, 4000, 11)
    forecast = passage_quantiles(usage.law(state).moments, [limit_km], LEVELS)[0]
    for level, day in zip(LEVELS, forecast, strict=True):
        error = np.sqrt(level * (1 - level) / 4000)
        # The noise lets a path touch the limit early and the Gamma shape is an approximation:
        # .02 on top of the sampling error.
        assert (arrived <= day).mean() == pytest.approx(level, abs=3 * error + 0.02)
