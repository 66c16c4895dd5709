"""Slopes of lab samples. NIST Statistical Reference Datasets, Norris (36 points, public), and
statsmodels with one dummy per fill."""

import numpy as np
import pytest
from statsmodels.api import OLS

from fleet.calc.trial_lab import slope, thinned, undiluted

NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
Y, X = np.array(NORRIS.split(), float).reshape(-1, 2).T
SLOPE, SLOPE_SD, RESIDUAL_SD = 1.00211681802045, 0.429796848199937e-3, 0.884796396144373  # M-50


@pytest.mark.parametrize("odometer_km", [0, 1e6])
def test_one_fill_is_norris_regression(odometer_km: float) -> None:
    """M-50, also with odometer-sized numbers, which cost digits unless centred (M-51's trap)."""
    found = slope(np.zeros(36, int), (X + odometer_km) * 1_000, Y)
    tolerance = 1e-9 if odometer_km else 1e-12
    assert found.per_1000_km == pytest.approx(SLOPE, rel=tolerance)
    assert found.standard_error == pytest.approx(SLOPE_SD, rel=1e-9)
    assert found.residual_sd == pytest.approx(RESIDUAL_SD, rel=1e-9)
    assert found.free == 34


def test_each_fill_has_its_own_start() -> None:
    rng = np.random.default_rng(1)
    fill, age_km = np.repeat([4, 9, 2], 5), rng.uniform(0, 20_000, 15)
    value = 2 * age_km / 1_000 + np.repeat([0, 50, -20], 5) + rng.normal(0, 1, 15)
    design = np.column_stack([age_km / 1_000, *(fill == one for one in (4, 9, 2))])
    fitted = OLS(value, design.astype(float)).fit()
    found = slope(fill, age_km, value)
    assert found.per_1000_km == pytest.approx(fitted.params[0], rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(fitted.conf_int()[0]), rel=1e-9)
    assert found.fills == 3


def test_single_samples_tell_no_slope() -> None:
    assert np.isnan(slope([1, 2, 3], [100, 200, 300], [5, 6, 7]).per_1000_km)
    assert np.isnan(slope([], [], []).per_1000_km)


def test_two_samples_tell_a_slope_without_an_interval() -> None:
    found = slope([1, 1], [0, 2_000], [5, 9])
    assert found.per_1000_km == pytest.approx(2)
    assert np.isnan(found.low)


# Mass balance of a sump with steady loss, topped up to the same mark: closed form; the third row
# also by integrating the balance in small steps.
@pytest.mark.parametrize(
    ("driven_km", "added", "effective_km", "left"),
    [
        ([5_000, 5_000], [0.2], 9_462.871, 0.8),
        ([2_000] * 5 + [0], [0.1] * 5, 7_766.313, 0.59049),
        (
            [1_800, 3_100, 2_500, 1_400],
            [0.9 / 6, 0.6 / 6, 1.3 / 6],
            7_078.493,
            0.85 * 0.9 * 4.7 / 6,
        ),
    ],
)
def test_fluid_added_thins_what_has_gathered(
    driven_km: list[float], added: list[float], effective_km: float, left: float
) -> None:
    found = thinned(driven_km, added)
    assert found.effective_km == pytest.approx(effective_km, abs=5e-4)
    assert found.left == pytest.approx(left)


def test_many_small_top_ups_wash_out_as_a_mixed_tank_does() -> None:
    """e^-X is left of what was there, and a = km (1 - e^-X) / X (stirred tank, A-19)."""
    many = 20_000
    found = thinned([10_000 / many] * many + [0], [0.5 / many] * many)
    assert found.effective_km == pytest.approx(7_869.387, abs=0.2)
    assert found.left == pytest.approx(0.60653, abs=1e-5)


def test_a_balance_in_small_steps_gives_the_rate_back() -> None:
    """3.33333 mg/kg per 1,000 km into 6 L, losing oil steadily and topped up thrice."""
    driven_km, added_l = [1_800, 3_100, 2_500, 1_400], [0.9, 0.6, 1.3]
    litres, metal, step_km = 6.0, 0.0, 0.5
    for km, lost_l in zip(driven_km, [*added_l, 0.0], strict=True):
        for _ in range(int(km / step_km)):
            metal += 6.0 * 3.33333 * step_km / 1_000 - metal / litres * lost_l * step_km / km
            litres -= lost_l * step_km / km
        litres += lost_l
    found = undiluted(metal / 6.0, thinned(driven_km, np.array(added_l) / 6), sum(driven_km))
    assert found / sum(driven_km) * 1_000 == pytest.approx(3.33333, rel=1e-3)


def test_a_value_is_put_back_to_the_age_of_the_fluid() -> None:
    """40 after a fifth added half-way: 4.22705 per 1,000 km, 42.2705 in all (A-09)."""
    assert undiluted(40, thinned([5_000, 5_000], [0.2]), 10_000) == pytest.approx(42.2705, abs=5e-5)
    assert undiluted(45, thinned([5_000, 5_000], [0.2]), 10_000, 5.0) == pytest.approx(47.2705)
    assert undiluted(40, thinned([10_000], []), 10_000) == pytest.approx(40)
