"""Slopes of lab samples. NIST Statistical Reference Datasets, Norris (36 points, public), and
statsmodels with one dummy per fill."""

import numpy as np
import pytest
from statsmodels.api import OLS

from fleet.calc.trial_lab import slope, undiluted

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


def test_fluid_added_thins_what_has_gathered() -> None:
    """Half the refill added: 30 mg/kg measured would have been 45 (mass balance, by hand)."""
    assert undiluted([30, 30], [0, 0.5]).tolist() == [30, 45]
