"""Stock arithmetic against printed examples.

Numbers of examples are those of Snyder and Shen, *Fundamentals of Supply Chain Theory* (2nd ed.
2019), as printed in the documentation of stockpyl 1.0.2, whose functions were also run.
"""

import numpy as np
import pytest
from scipy import stats

from fleet.calc import stock_level
from fleet.calc.stock_level import to_order


def poisson(mean: float) -> np.ndarray:
    return stats.poisson.pmf(np.arange(200), mean)


def test_example_4_3_the_best_level_of_a_normal_demand() -> None:
    level, cost = stock_level.best_normal_level(50, 8, holding=0.18, shortage=0.70)
    assert level == pytest.approx(56.6039559274, abs=1e-9)
    assert cost == pytest.approx(1.9976051932, abs=1e-9)


def test_example_4_3_at_another_level_costs_more() -> None:
    short = stock_level.normal_loss(60, 50, 8)
    assert 0.18 * (60 - 50 + short) + 0.70 * short == pytest.approx(2.1561315529, abs=1e-9)


def test_the_same_costs_with_a_poisson_demand() -> None:
    assert stock_level.best_level(poisson(50), 0.18, 0.70) == 56
    assert stock_level.level_cost(poisson(50), 56, 0.18, 0.70) == pytest.approx(1.7972352118)


def test_example_4_7_the_best_level_of_a_discrete_demand() -> None:
    assert stock_level.best_level(poisson(6), 1, 4) == 8
    assert stock_level.level_cost(poisson(6), 8, 1, 4) == pytest.approx(3.5701069458)
    assert stock_level.level_cost(poisson(6), 5, 1, 4) == pytest.approx(6.5902960246)


def test_example_5_8_order_point_and_quantity_in_whole_units() -> None:
    found = stock_level.best_order_point(
        poisson(1.5 * 2), per_time=1.5, holding=20, shortage=150, per_order=100
    )
    assert (found.point, found.quantity) == (3, 5)
    assert found.cost == pytest.approx(107.9235806331, abs=1e-9)


def test_order_up_to_a_level() -> None:
    low, top, cost = stock_level.best_order_up_to(poisson(6), holding=1, shortage=4, per_order=5)
    assert (low, top) == (4, 10)
    assert cost == pytest.approx(8.0341115615, abs=1e-9)


def test_example_5_2_order_point_by_the_expected_inventory_level() -> None:
    found = stock_level.order_point_by_loss(
        1300 / 12, 150 / np.sqrt(12), per_time=1300, holding=0.225, shortage=7.5, order=8
    )
    assert found.point == pytest.approx(213.9704421, abs=1e-6)
    assert found.quantity == pytest.approx(318.5901811, abs=1e-6)
    assert found.cost == pytest.approx(95.4511402, abs=1e-6)


# Loss functions: standard normal and normal by the formula, the others summed on a fine grid.
def test_normal_loss_functions() -> None:
    assert stock_level.standard_loss(1.3) == pytest.approx(0.04552796, abs=1e-8)
    assert stock_level.normal_loss(18.6, 15, 3) == pytest.approx(0.16830735, abs=1e-8)


# exact: 1/√(2π) at 0; tables of the normal loss function
@pytest.mark.parametrize(("z", "loss"), [(0, 0.39894228), (1, 0.08331547), (2, 0.00849070)])
def test_the_standard_loss_table(z: float, loss: float) -> None:
    assert stock_level.standard_loss(z) == pytest.approx(loss, abs=1e-8)


def test_the_poisson_loss_function() -> None:
    assert stock_level.expected_shortage(poisson(15), 18) == pytest.approx(0.51760953, abs=1e-8)


@pytest.mark.parametrize(
    ("law", "loss"),
    [(stats.gamma(2, scale=3), 2.63597138), (stats.uniform(2, 6), 1.33333333)],
    ids=["gamma", "uniform"],
)
def test_loss_functions_of_continuous_laws_on_a_fine_grid(law: object, loss: float) -> None:
    grid = np.arange(0, 80_001) / 1000
    pmf = np.diff(law.cdf(grid + 0.0005), prepend=0)  # type: ignore[attr-defined]
    assert stock_level.expected_shortage(pmf, 4000) / 1000 == pytest.approx(loss, abs=1e-5)


def test_safety_stock_with_and_without_an_uncertain_lead_time() -> None:
    # textbook: 1.6449 × 10 × √4; and 1.6449 × √(5·20² + 100²·1²)
    assert stock_level.safety_stock(0.95, 4, 0, 10) == pytest.approx(32.89707254, abs=1e-7)
    assert stock_level.safety_stock(0.95, 5, 100, 20, 1) == pytest.approx(180.1846871, abs=1e-6)


def test_the_95_percent_level_of_four_a_day_is_eight_and_not_seven() -> None:
    # Poisson tables: P(X <= 7) = .9489
    assert stats.poisson.cdf(7, 4) == pytest.approx(0.94886638, abs=1e-8)
    assert stock_level.best_level(poisson(4), 0.05, 0.95) == 8


def test_an_order_fills_up_what_is_there_and_on_its_way() -> None:
    assert to_order(20_000, 6000, None, 5000).packs == 3
    assert to_order(20_000, 25_000, None, 5000).packs == 0


def test_an_order_covers_what_was_used_but_never_booked_in() -> None:
    assert to_order(20_000, -4000, None, 5000).quantity == 25_000


def test_an_order_never_goes_beyond_what_is_used_before_it_is_out_of_date() -> None:
    order = to_order(20_000, 1000, usable=9000, pack=5000)
    assert (order.packs, order.capped) == (1, True)
    assert to_order(20_000, 1000, usable=900, pack=5000).packs == 0
