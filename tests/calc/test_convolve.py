"""Totals over vehicles against brute force, closed forms and other quadratures."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from fleet.calc import convolve
from fleet.calc.common_factor import (
    correlation,
    learnt_sigma,
    level_weights,
    nodes,
    probability_up_to,
)
from fleet.calc.convolve import Distribution, added, combined, total

ALONE = nodes(1)


def bernoullis(probabilities: list[float]) -> np.ndarray:
    """Ten levels each, of which the first ones fall due."""
    return np.array([[1] * round(10 * p) + [0] * round(10 * (1 - p)) for p in probabilities])


def by_brute_force(probabilities: list[float]) -> list[float]:
    chance = [0.0] * (len(probabilities) + 1)
    for outcome in product([0, 1], repeat=len(probabilities)):
        each = [p if due else 1 - p for p, due in zip(probabilities, outcome, strict=True)]
        chance[sum(outcome)] += float(np.prod(each))
    return chance


# Poisson-binomial: the first by hand, the second from SciPy's documentation of
# scipy.stats.poisson_binom, the third by hand.
@pytest.mark.parametrize(
    ("probabilities", "printed"),
    [
        ([0.1, 0.5, 0.9], [0.045, 0.455, 0.455, 0.045]),
        ([0.1, 0.6, 0.7, 0.8], [0.0216, 0.1716, 0.4256, 0.3476, 0.0336]),
        ([0.2, 0.4, 0.6, 0.8], [0.0384, 0.2464, 0.4304, 0.2464, 0.0384]),
    ],
)
def test_the_number_of_vehicles_due_is_poisson_binomial(
    probabilities: list[float], printed: list[float]
) -> None:
    found = total(bernoullis(probabilities), np.zeros(len(probabilities)), ALONE).mixed()
    assert found.pmf == pytest.approx(printed, abs=1e-12)
    assert found.pmf == pytest.approx(by_brute_force(probabilities), abs=1e-12)


def test_mean_and_variance_are_those_of_the_vehicles_and_not_of_a_poisson_law() -> None:
    found = total(bernoullis([0.1, 0.5, 0.9]), np.zeros(3), ALONE).mixed()
    assert (found.mean, found.var) == (pytest.approx(1.5), pytest.approx(0.43))


def test_equal_vehicles_are_binomial() -> None:
    found = total(bernoullis([0.3] * 10), np.zeros(10), ALONE).mixed()
    assert found.pmf == pytest.approx(stats.binom.pmf(range(11), 10, 0.3), abs=2e-15)


def test_quantities_in_millilitres_lie_on_their_own_grid() -> None:
    outcomes = np.array([[0, 4500], [0, 4500], [900, 900]])
    found = total(outcomes, np.zeros(3), ALONE).mixed()
    assert found.step == 900
    assert [found.at(v) for v in (900, 5400, 9900)] == pytest.approx([0.25, 0.5, 0.25])
    assert [found.quantile(p) for p in (0.2, 0.5, 0.8, 0.99)] == [900, 5400, 9900, 9900]
    assert (found.below(5400), found.below(5401)) == (pytest.approx(0.25), pytest.approx(0.75))


def test_equal_vehicles_are_grouped_and_no_others() -> None:
    outcomes = np.array([[0, 1], [1, 0], [0, 1], [0, 1]])
    rows, numbers = convolve.grouped(outcomes, np.array([0.1, 0.1, 0.1, 0.2]))
    assert sorted(numbers) == [1, 1, 2]
    assert len(rows) == 3


def test_the_grid_is_long_enough_for_ten_spreads() -> None:
    found = total(np.array([[0] * 98 + [1]] * 3000), np.zeros(3000), ALONE).mixed()
    assert found.pmf[:40] == pytest.approx(stats.binom.pmf(range(40), 3000, 1 / 99), abs=1e-12)


def test_a_grid_too_fine_to_hold_is_left_to_the_normal_law(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(convolve, "MOST_CELLS", 256)
    outcomes = np.array([[0, 1]] * 1000)
    found = total(outcomes, np.zeros(1000), ALONE).mixed()
    assert found.mean == pytest.approx(500, abs=1)
    assert found.quantile(0.95) == pytest.approx(stats.binom.ppf(0.95, 1000, 0.5), abs=1.5)


def test_independent_parts_add_up_on_the_common_grid() -> None:
    coin, three = Distribution(4, np.array([0.5, 0.5])), Distribution(6, np.array([0, 1.0]))
    assert [added([coin, three]).at(v) for v in (6, 10)] == pytest.approx([0.5, 0.5])
    assert added([]).mean == 0


def test_the_most_of_every_part_at_once_is_the_most_of_all() -> None:
    four = Distribution(1, np.eye(5)[4])
    assert added([four, four]).at(8) == pytest.approx(1)
    assert added([four] * 4).at(16) == pytest.approx(1)


def test_what_just_fits_is_not_coarsened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(convolve, "MOST_CELLS", 6)  # steps from 0 to 6; in twos 3 would be 4
    three = Distribution(1, np.eye(4)[3])
    assert added([three, three]).at(6) == pytest.approx(1)


def test_the_normal_law_reaches_as_far_as_the_fastest_future(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # half of 10,000 on average, and in the fastest futures nearly all of them
    monkeypatch.setattr(convolve, "MOST_CELLS", 256)
    found = total(np.array([[0] * 50 + [1] * 50] * 10_000), np.full(10_000, 0.5), nodes()).mixed()
    assert found.mean == pytest.approx(5_000, rel=0.01)


def test_the_normal_law_lies_on_a_coarser_grid_where_totals_are_large(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(convolve, "MOST_CELLS", 256)
    # by hand: 100 vehicles of 999 or of 1,000 mL, each with one half: 49,975 and 4,998 about it
    found = total(np.array([[0, 999], [0, 1000]] * 50), np.zeros(100), ALONE).mixed()
    assert found.mean == pytest.approx(49_975, rel=1e-3)
    assert found.var == pytest.approx(4_998**2, rel=0.01)
    assert found.quantile(0.95) == pytest.approx(49_975 + 1.645 * 4_998, abs=50)


# --- what vehicles share ------------------------------------------------------------------
def test_a_shared_factor_leaves_each_level_its_share_on_average() -> None:
    z = nodes(2001)
    for rho in (0.05, 0.3, 0.9):
        weights = level_weights(rho, z)
        assert weights.sum(axis=0) == pytest.approx(1)
        assert weights.mean(axis=1) == pytest.approx(1 / 99, rel=0.01)


def test_fast_futures_weigh_more_when_all_drive_further() -> None:
    weights = level_weights(0.3, np.array([-2.0, 0, 2]))
    assert weights[0, 2] > 1 / 99 > weights[0, 0]


def uncertain(z: np.ndarray, share: np.ndarray, rho: float) -> tuple[int, int]:
    """80 and 95 % quantile of 1,500 vehicles with p = .64 each, under weighted nodes."""
    chance = probability_up_to([0.64], rho, z)[0]
    cdf = np.cumsum(stats.binom.pmf(np.arange(1501)[:, None], 1500, chance) @ share)
    return int(np.argmax(cdf >= 0.8)), int(np.argmax(cdf >= 0.95))


RHO = 0.1415  # at which five nodes give the 1048 and 1083 printed in the method


def test_forty_one_nodes_give_the_quantiles_of_the_integral() -> None:
    fine = nodes(1001)
    exact = uncertain(fine, np.full(len(fine), 1 / len(fine)), RHO)
    found = uncertain(nodes(), np.full(41, 1 / 41), RHO)
    assert found == pytest.approx(exact, abs=2)
    assert found == pytest.approx((1026, 1095), abs=5)  # printed in the method


def test_five_gauss_hermite_nodes_do_not() -> None:
    fine = nodes(1001)
    exact = uncertain(fine, np.full(len(fine), 1 / len(fine)), RHO)
    z, share = np.polynomial.hermite_e.hermegauss(5)
    five = uncertain(z, share / share.sum(), RHO)
    assert five == (1048, 1083)
    assert min(abs(np.array(five) - exact)) > 5


def test_the_total_of_levels_follows_the_same_mixture() -> None:
    outcomes = np.array([[1] * 64 + [0] * 36] * 1500)
    found = total(outcomes, np.full(1500, 0.14), nodes()).mixed()
    expected = uncertain(nodes(), np.full(41, 1 / 41), 0.14)
    assert (found.quantile(0.8), found.quantile(0.95)) == expected


def test_parts_of_a_class_share_its_factor() -> None:
    outcomes, rho = np.array([[1] * 64 + [0] * 36] * 400), np.full(400, 0.2)
    parts = [total(outcomes[:150], rho[:150], nodes()), total(outcomes[150:], rho[150:], nodes())]
    whole = total(outcomes, rho, nodes()).mixed()
    assert combined(parts).mixed().pmf[:401] == pytest.approx(whole.pmf, abs=1e-9)


def test_what_is_due_at_every_level_does_not_move_with_the_factor() -> None:
    found = total(np.array([[2] * 99] * 10), np.full(10, 0.8), nodes()).mixed()
    assert found.at(20) == pytest.approx(1)


# --- how much they share -------------------------------------------------------------------
def test_the_correlation_is_capped_and_lies_on_steps() -> None:
    # by hand: .08 × 1000 / 500 = .16; .25 × 10000 / 100 is far above .9
    assert correlation(0.08, [1000.0], [250_000.0]) == pytest.approx([0.16])
    assert correlation(0.25, [10_000.0], [1e4]) == pytest.approx([0.9])


def test_the_spread_is_learnt_from_a_year_of_months() -> None:
    rng = np.random.default_rng(4)
    shock = np.exp(0.1 * rng.standard_normal(600) + 0.02 * rng.standard_normal(600))
    assert learnt_sigma(1e5 * shock, np.full(600, 1e5), np.full(600, 0.02**2)) == pytest.approx(
        0.1, abs=0.01
    )


@pytest.mark.parametrize(
    ("months", "spread", "expected"),
    [(11, 3.0, 0.08), (12, 3.0, 0.25), (24, 0.0, 0.0), (24, 3.0, 0.25)],
)
def test_the_spread_is_eight_hundredths_at_first_and_stays_in_bounds(
    months: int, spread: float, expected: float
) -> None:
    swing = np.exp(spread * np.resize([1.0, -1.0], months))
    found = learnt_sigma(1e5 * swing, np.full(months, 1e5), np.full(months, 0.01))
    assert found == pytest.approx(expected)


def test_many_different_vehicles_may_be_left_to_the_normal_law() -> None:
    # within two of about 100 at every quantile asked for; the exact total is the other way
    rng = np.random.default_rng(5)
    outcomes = (np.arange(99)[None, :] < rng.integers(5, 60, 300)[:, None]).astype(np.int64)
    rho, z = np.full(300, 0.3), nodes()
    exact, normal = total(outcomes, rho, z).mixed(), total(outcomes, rho, z, 20).mixed()
    assert normal.mean == pytest.approx(exact.mean, rel=1e-3)
    for level in (0.1, 0.5, 0.9):
        assert abs(normal.quantile(level) - exact.quantile(level)) <= 2
    few = total(outcomes[:10], rho[:10], z, 20).mixed()
    assert few.pmf == pytest.approx(total(outcomes[:10], rho[:10], z).mixed().pmf)
