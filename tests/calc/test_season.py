"""Season indices, how far they are believed, and the clock that runs on them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.class_rates import Clock, Season, season_index, takes_force

DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.float64)
SHAPE = np.array([0.5, 0.5, 1, 1, 1, 1, 1, 1, 1, 1, 1.5, 1.5])


def fleet(vehicles: int, years: int, shape: np.ndarray = SHAPE) -> Season:
    """Vehicles of one class, 100 km a day times the shape, January first."""
    month_km = np.tile(100 * shape * DAYS, (vehicles, years))
    return season_index(month_km, np.tile(DAYS, years), [0] * vehicles, 12)


def by_hand(*logs: list[float]) -> np.ndarray:
    """Factors of years whose months lie off by these logs, January and February first."""
    x = np.zeros((len(logs), 12))
    x[:, : len(logs[0])] = logs
    month_km = np.concatenate([100 * np.exp(row) * DAYS for row in x])
    found = season_index(np.tile(month_km, (5, 1)), np.tile(DAYS, len(logs)), [0] * 5, 12)
    return np.append(found.factors[0], found.weight[0])


def test_a_season_is_drawn_to_none_as_far_as_years_disagree() -> None:
    # The method's check: E = .02, B = .08, so w = .75. Exactly so where months are equally long;
    # a vehicle's own rate of the year shifts all its months alike, and their mean is taken off.
    found = by_hand([0.1, -0.1], [0.3, -0.3])
    np.testing.assert_allclose(found[[0, 1, 2, 11]], [1.1597, 0.8591, 0.9981, 0.9981], atol=5e-5)
    assert found[12] == pytest.approx(0.75)


def test_years_that_agree_are_believed_in_full() -> None:
    found = fleet(5, 2)
    assert found.weight[0] == pytest.approx(1.0)
    geometric = SHAPE / np.exp(np.log(SHAPE).mean())
    np.testing.assert_allclose(found.factors[0], geometric / geometric.mean(), rtol=1e-12)
    assert (found.years[0], found.vehicles[0]) == (2, 5)


def test_chance_alone_is_not_believed() -> None:
    # By hand: x̄ = (.05, −.05), E = 4 · .15² / 2 = .045, B = .005.
    found = by_hand([0.2, -0.2], [-0.1, 0.1])
    assert found[12] == 0.0
    np.testing.assert_array_equal(found[:12], np.ones(12))


def test_a_fleet_without_seasons_has_none() -> None:
    found = fleet(30, 2, np.ones(12))
    np.testing.assert_allclose(found.factors[0], np.ones(12), rtol=1e-12)


@pytest.mark.parametrize(("vehicles", "years"), [(4, 2), (40, 1)])
def test_too_few_vehicles_or_years_show_no_season(vehicles: int, years: int) -> None:
    season = fleet(vehicles, years)
    assert season.weight[0] == 0
    np.testing.assert_array_equal(season.factors[0], np.ones(12))


def test_an_idle_month_counts_as_a_twentieth() -> None:
    shape = np.append(np.zeros(1), np.ones(11))
    x = np.log(np.append([0.05], np.full(11, DAYS.sum() / DAYS[1:].sum())))
    geometric = np.exp(x - x.mean())
    found = fleet(6, 2, shape).factors[0]
    np.testing.assert_allclose(found, geometric / geometric.mean(), rtol=1e-12)


def test_a_year_counts_each_vehicle_by_its_own_rate_of_that_year() -> None:
    doubled = np.concatenate((100 * SHAPE * DAYS, 200 * SHAPE * DAYS))
    season = season_index(np.tile(doubled, (5, 1)), np.tile(DAYS, 2), [0] * 5, 12)
    np.testing.assert_allclose(season.factors, fleet(5, 2).factors, rtol=1e-12)


def test_a_new_season_takes_force_where_a_factor_moves_by_two_hundredths() -> None:
    ones = np.ones((2, 12))
    new = ones.copy()
    new[0, 3], new[1, 3] = 1.0201, 0.9801
    assert list(takes_force(new, ones)) == [True, False]


def test_months_are_named_by_the_calendar_wherever_the_years_end() -> None:
    month_km = np.roll(np.tile(100 * SHAPE * DAYS, 2), -4)  # May … April
    season = season_index(np.tile(month_km, (25, 1)), np.roll(np.tile(DAYS, 2), -4), [0] * 25, 4)
    np.testing.assert_allclose(season.factors[0], fleet(25, 2).factors[0], rtol=1e-12)


def test_incomplete_years_and_idle_vehicles_are_left_out() -> None:
    month_km = np.tile(100 * SHAPE * DAYS, (7, 2))
    month_km[0, 3] = np.nan  # its first year is not whole
    month_km[0, 12:] = 100 * np.repeat(DAYS, 1)
    month_km[1] = 0.5 * np.tile(DAYS, 2)
    season = season_index(month_km, np.tile(DAYS, 2), [0] * 7, 12)
    assert season.vehicles[0] == 6
    alone = season_index(month_km[2:], np.tile(DAYS, 2), [0] * 5, 12)
    assert season.weight[0] < alone.weight[0] == pytest.approx(1.0)
    month_km[0, 12:] = np.nan
    again = season_index(month_km, np.tile(DAYS, 2), [0] * 7, 12)
    np.testing.assert_allclose(again.factors, alone.factors, rtol=1e-12)


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
