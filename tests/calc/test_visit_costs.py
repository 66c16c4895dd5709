"""Costs of a day: by hand, and against draws from the law."""

import numpy as np
import pytest

from fleet.calc import visit_costs
from tests.calc import visit_cases as cases

NONE = np.array([np.nan])


def test_the_case_has_the_costs_worked_by_hand() -> None:
    by_day, left_out = cases.case_costs()
    # by hand: A-oil late on day 4 = 4 − 1 = 3 d, 3 · 40 + 0.6 · 50 = 150
    assert by_day.tolist() == [[200, 1050], [200, 100], [100, 2000], [600, 1800]]
    assert left_out.tolist() == [15_000, 7_000, 17_000, 19_200]


def test_lateness_and_earliness_are_the_means_of_draws() -> None:
    rng = np.random.default_rng(5)
    lower_d, upper_d, p50_d = 6.0, 15.0, 40.0
    z = visit_costs.P90_SIGMA
    quantiles = np.array([[[p50_d - z * lower_d, p50_d, p50_d + z * upper_d]]])
    days = np.arange(-60, 200)
    due_by = visit_costs.law(quantiles, NONE, days)
    half = np.abs(rng.standard_normal(400_000))
    below = rng.random(400_000) < 0.5
    # due "by the end of a day": a moment within a day is that day's end
    drawn = np.ceil(p50_d + np.where(below, -lower_d, upper_d) * half)
    for day in (20, 40, 75):
        at = day + 60
        late = np.maximum(0, day - drawn)
        assert visit_costs.lateness_d(due_by)[0, at] == pytest.approx(late.mean(), abs=0.05)
        early = np.maximum(0, drawn - day).mean()
        assert visit_costs.earliness_d(due_by)[0, at] == pytest.approx(early, abs=0.08)
        grown = (late**2).mean()
        assert visit_costs.growing_d2(due_by)[0, at] == pytest.approx(grown, rel=0.02, abs=0.1)


def test_the_mean_leans_to_the_wider_side() -> None:
    # by hand: (σ₊ − σ₋)/√(2π) = (10 − 5)/2.5066 = 1.995, half a day more for whole days
    z = visit_costs.P90_SIGMA
    due_by = visit_costs.law(np.array([[[50 - 5 * z, 50.0, 50 + 10 * z]]]), NONE, np.arange(200))
    assert visit_costs.earliness_d(due_by)[0, 0] == pytest.approx(51.995 + 0.5, abs=0.01)


def test_without_spread_the_law_is_a_step() -> None:
    due_by = visit_costs.law(np.array([[[3.0, 3, 3]]]), NONE, np.arange(6))
    assert due_by.tolist() == [[0, 0, 0, 1, 1, 1]]


def test_the_calendar_makes_it_certain() -> None:
    due_by = visit_costs.law(np.array([[[0.0, 5, 10]]]), np.array([4.0]), np.arange(6))
    assert due_by[0, 4:].tolist() == [1, 1]
    assert due_by[0, 3] < 0.5


def test_of_km_and_hours_the_smaller_quantiles_count() -> None:
    both = np.array([[[2.0, 5, 9], [1.0, 6, 7]]])
    one = np.array([[[1.0, 5, 7]]])
    days = np.arange(12)
    assert np.array_equal(visit_costs.law(both, NONE, days), visit_costs.law(one, NONE, days))


def test_a_limit_that_is_not_there_makes_nothing_due() -> None:
    due_by = visit_costs.law(np.full((1, 2, 3), np.nan), NONE, np.arange(3))
    assert due_by.tolist() == [[0, 0, 0]]


def test_moving_a_planned_service_costs_and_keeping_it_does_not() -> None:
    cost, out = visit_costs.with_memory(
        np.zeros((2, 3)), np.array([5.0, 5.0]), np.array([1, -1]), 40.0
    )
    assert cost.tolist() == [[40, 0, 40], [0, 0, 0]]
    assert out.tolist() == [45, 5]
