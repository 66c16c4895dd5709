"""Season indices, their gate, and the clock that runs on them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.class_rates import Clock, Season, season_index

DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.float64)
SHAPE = np.array([0.5, 0.5, 1, 1, 1, 1, 1, 1, 1, 1, 1.5, 1.5])


def fleet(vehicles: int, years: int, shape: np.ndarray = SHAPE) -> Season:
    """Vehicles of one class, 100 km a day times the shape, January first."""
    month_km = np.tile(100 * shape * DAYS, (vehicles, years))
    return season_index(month_km, np.tile(DAYS, years), [0] * vehicles, 12)


def test_a_seasonal_fleet_opens_the_gate() -> None:
    season = fleet(20, 2)
    assert season.used[0]
    assert season.correlation[0] == pytest.approx(1.0)
    assert (season.years[0], season.vehicles[0]) == (2, 20)


def test_the_index_is_shrunk_by_300_vehicle_days_and_has_mean_one() -> None:
    # By hand from the formula: r̄ = Σkm/Σdays of the two years.
    mean_rate = (100 * SHAPE * DAYS).sum() / DAYS.sum()
    raw = (40 * 100 * SHAPE * DAYS / mean_rate + 300) / (40 * DAYS + 300)
    np.testing.assert_allclose(fleet(20, 2).factors[0], raw / raw.mean(), rtol=1e-12)


@pytest.mark.parametrize(("vehicles", "years"), [(19, 2), (40, 1)])
def test_too_few_vehicles_or_years_keep_the_gate_shut(vehicles: int, years: int) -> None:
    season = fleet(vehicles, years)
    assert not season.used[0]
    np.testing.assert_array_equal(season.factors[0], np.ones(12))


def test_years_that_disagree_keep_the_gate_shut() -> None:
    month_km = np.tile(np.concatenate((100 * SHAPE * DAYS, 100 * SHAPE[::-1] * DAYS)), (30, 1))
    season = season_index(month_km, np.tile(DAYS, 2), [0] * 30, 12)
    assert season.correlation[0] < 0
    assert not season.used[0]


def test_a_fleet_without_seasons_keeps_the_gate_shut() -> None:
    assert not fleet(30, 2, np.ones(12)).used[0]


def test_agreement_just_under_the_mark_keeps_the_gate_shut() -> None:
    rng = np.random.default_rng(3)
    pull = rng.standard_normal(12) * 0.12
    months = [SHAPE + pull * weight for weight in (0.0, 1.0, 2.0, 3.0)]
    seen = [_two_years(SHAPE, second) for second in months]
    for season in seen:
        assert season.used[0] == (season.correlation[0] >= 0.8)
    assert {bool(season.used[0]) for season in seen} == {True, False}


def _two_years(first: np.ndarray, second: np.ndarray) -> Season:
    month_km = np.tile(100 * np.concatenate((first * DAYS, second * DAYS)), (30, 1))
    return season_index(month_km, np.tile(DAYS, 2), [0] * 30, 12)


def test_months_are_named_by_the_calendar_wherever_the_years_end() -> None:
    month_km = np.roll(np.tile(100 * SHAPE * DAYS, 2), -4)  # May … April
    season = season_index(np.tile(month_km, (25, 1)), np.roll(np.tile(DAYS, 2), -4), [0] * 25, 4)
    np.testing.assert_allclose(season.factors[0], fleet(25, 2).factors[0], rtol=1e-12)


def test_incomplete_years_and_idle_vehicles_are_left_out() -> None:
    month_km = np.tile(100 * SHAPE * DAYS, (22, 2))
    month_km[0, 3] = np.nan
    month_km[1] = 0.5 * np.tile(DAYS, 2)
    season = season_index(month_km, np.tile(DAYS, 2), [0] * 22, 12)
    assert season.vehicles[0] == 20
    mean_rate = (100 * SHAPE * DAYS).sum() / DAYS.sum()
    raw = (41 * 100 * SHAPE * DAYS / mean_rate + 300) / (41 * DAYS + 300)
    np.testing.assert_allclose(season.factors[0], raw / raw.mean(), rtol=1e-12)


def test_months_before_the_oldest_whole_year_are_left_out() -> None:
    month_km = np.concatenate(([1e6], np.tile(100 * SHAPE * DAYS, 2)))
    season = season_index(np.tile(month_km, (20, 1)), np.append(31, np.tile(DAYS, 2)), [0] * 20, 12)
    np.testing.assert_allclose(season.factors, fleet(20, 2).factors, rtol=1e-12)


def test_classes_do_not_mix() -> None:
    month_km = np.concatenate(
        (np.tile(100 * SHAPE * DAYS, (20, 2)), np.tile(90 * SHAPE[::-1] * DAYS, (20, 2)))
    )
    both = season_index(month_km, np.tile(DAYS, 2), [0] * 20 + [1] * 20, 12)
    np.testing.assert_allclose(both.factors[0], fleet(20, 2).factors[0], rtol=1e-12)
    np.testing.assert_allclose(both.factors[1], fleet(20, 2, SHAPE[::-1]).factors[0], rtol=1e-12)


def day(year: int, month: int, of_month: int) -> float:
    return float((date(year, month, of_month) - date(1970, 1, 1)).days)


def test_operational_days_are_the_sum_of_the_factors_over_the_days() -> None:
    clock = Clock([SHAPE])
    step = clock.operational_d([day(2024, 3, 16)], [0]) - clock.operational_d(
        [day(2024, 1, 11)], [0]
    )
    # By hand: 21 days of January and 29 of February at .5, 15 of March at 1.
    assert step[0] == pytest.approx(21 * 0.5 + 29 * 0.5 + 15)


@given(at_d=st.floats(-20_000, 120_000), row=st.integers(-1, 1))
def test_the_clock_runs_back_to_the_same_instant(at_d: float, row: int) -> None:
    clock = Clock([SHAPE, SHAPE[::-1]])
    there = clock.operational_d([at_d], [row])
    assert clock.calendar_d(there, [row])[0] == pytest.approx(at_d, abs=1e-8)


def test_a_row_without_a_season_keeps_calendar_days() -> None:
    clock = Clock([SHAPE])
    np.testing.assert_allclose(clock.operational_d([19_000.25], [-1]), [19_000.25], rtol=1e-15)


def test_the_clock_takes_several_instants_a_row() -> None:
    clock = Clock([SHAPE, SHAPE[::-1]])
    at_d = np.array([[10.0, 500.0], [10.0, 500.0]])
    both = clock.operational_d(at_d, [0, 1])
    np.testing.assert_array_equal(both[1], clock.operational_d([10.0, 500.0], [1, 1]))


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan])
def test_a_clock_that_would_stand_still_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="numbers above 0"):
        Clock([[wrong] + [1.0] * 11])
