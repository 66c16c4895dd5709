"""Scores of forecasts against closed forms and hand calculations."""

import numpy as np
import pytest
from scipy import stats

from fleet.calc import scores
from fleet.calc.scores import HIGHEST, LEVELS, LOWEST, P10, P50, P90, Scored


def normal_quantiles(mean: float, sd: float, cases: int = 1) -> np.ndarray:
    return np.tile(stats.norm.ppf(LEVELS, mean, sd), (cases, 1))


def test_the_named_places_carry_their_levels() -> None:
    places = [LOWEST, P10, P50, P90, HIGHEST]
    assert LEVELS[places] == pytest.approx([0.025, 0.1, 0.5, 0.9, 0.975])


def test_a_forecast_without_spread_scores_its_distance() -> None:
    point = np.full((3, 39), 20.0)
    assert scores.crps(point, [20, 26, 13]) == pytest.approx([0, 6, 7])  # by hand


# Closed form of Gneiting and Raftery (2007), equation 5: sd·(z(2Φ(z) − 1) + 2φ(z) − 1/√π). The
# 39 levels leave the tails out: 5 % of sd.
@pytest.mark.parametrize("z", [-1.5, -0.4, 0.0, 0.8, 2.2])
def test_the_score_of_a_normal_forecast_is_its_closed_form(z: float) -> None:
    exact = 7 * (z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / np.sqrt(np.pi))
    got = scores.crps(normal_quantiles(50, 7), [50 + 7 * z])[0]
    assert got == pytest.approx(exact, abs=0.05 * 7)


def test_two_unlike_levels_score_as_by_hand() -> None:
    quantiles = np.full((1, 39), 10.0)
    quantiles[0, HIGHEST] = 30.0
    # 38 levels lie 2 below: 2·2·Σp; the last one 18 above: 2·18·(1 − .975); by hand over 39.
    expected = (4 * (19.5 - 0.975) + 36 * 0.025) / 39
    assert scores.crps(quantiles, [12])[0] == pytest.approx(expected)


def test_both_ends_belong_to_the_band() -> None:
    quantiles = np.tile(np.arange(1.0, 40.0), (4, 1))
    assert list(scores.inside(quantiles, [4, 36, 3.99, 36.01], P10, P90)) == [True, True, False,
                                                                              False]  # fmt: skip


def test_what_is_capped_on_both_sides_counts_as_inside() -> None:
    assert scores.inside(np.full((1, 39), 365.0), [365.0], P10, P90).all()


def test_the_histogram_places_a_case_between_its_levels() -> None:
    counts = scores.pit_counts(np.arange(1.0, 40.0)[None, :], [0.5])
    assert counts[0] == 1
    counts = scores.pit_counts(np.arange(1.0, 40.0)[None, :], [10.5])
    assert counts[10] == 1
    assert counts.sum() == 1


def test_capped_cases_are_spread_over_the_levels_they_share() -> None:
    quantiles = np.minimum(np.arange(1.0, 40.0), 30.0)[None, :]  # ten levels at the cap
    counts = scores.pit_counts(quantiles, [30.0])
    assert counts[29:] == pytest.approx(np.full(11, 1 / 11))
    assert counts[:29].sum() == 0


def test_an_honest_forecast_has_a_flat_histogram() -> None:
    happened = np.random.default_rng(5).normal(50, 7, 40_000)
    counts = scores.pit_counts(normal_quantiles(50, 7, 40_000), happened)
    assert counts / 1_000 == pytest.approx(np.ones(40), abs=0.13)  # 4 sd of a count of 1,000


def test_skill_is_the_share_of_the_rivals_score_that_is_saved() -> None:
    assert scores.skill([1, 2], [4, 6]) == pytest.approx(0.7)
    assert scores.skill([8, 6], [4, 3]) == pytest.approx(-1)
    assert np.isnan(scores.skill([], []))


def test_a_steady_rate_arrives_by_division_and_at_most_at_the_cap() -> None:
    days = scores.days_at([100, 0, 1], [2_000, 2_000, 2_000], 365)
    assert list(days) == [20, 365, 365]


# By hand on the log scale: 400 is twice as far from 100 as 200 is.
@pytest.mark.parametrize(
    ("happened", "factor"), [(400, 2), (200, 1), (100, 0), (50, 0.5), (25, 1), (6.25, 2)]
)
def test_the_needed_widening_is_the_ratio_of_log_distances(happened: float, factor: float) -> None:
    assert scores.needed_widening([25], [100], [200], [happened])[0] == pytest.approx(factor)


def test_no_widening_reaches_what_never_happened_or_opens_a_point() -> None:
    assert np.isinf(scores.needed_widening([25], [100], [200], [np.inf])[0])
    assert np.isinf(scores.needed_widening([100], [100], [100], [101])[0])


def test_months_put_together_keep_their_cases_and_add_their_histograms() -> None:
    truth = np.array([[50.0, 60.0]])
    one = Scored.of(normal_quantiles(50, 7, 2).reshape(1, 2, 39), truth, (truth, truth), 365.0)
    both = Scored.joined([one, one])
    assert both.own.shape == (2, 2)
    assert both.cells.sum(axis=1) == pytest.approx([2, 2])
