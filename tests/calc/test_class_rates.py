"""Class rates at a month end, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.calc import class_rates as cr

AS_OF_D = 20_000.0


def rates_of(
    own_rate: list[float], types: list[int], depots: list[int], **changes: list[float] | float
) -> cr.ClassRates:
    """Class rows of vehicles with 100 days of use each, all read today."""
    n = len(own_rate)
    given = {"sum_d": [100.0] * n, "last_at_d": [AS_OF_D] * n, "least_per_day": 1.0, **changes}
    sum_km = np.asarray(own_rate) * np.asarray(given["sum_d"])
    return cr.class_rates(
        AS_OF_D, given["sum_d"], sum_km, given["last_at_d"], types, depots, given["least_per_day"]
    )


def test_a_class_of_five_is_drawn_towards_the_fleet_by_two_vehicles() -> None:
    # By hand: five at ln 100 beside five at ln 50: x̄ = (ln 100 + ln 50)/2.
    rates = rates_of([100.0] * 5 + [50.0] * 5, [1] * 10, [1] * 5 + [2] * 5)
    row = cr.rate_for(rates, [1], [1])[0]
    mean = (np.log(100) + np.log(50)) / 2
    log_rate = (5 * np.log(100) + 2 * mean) / 7
    squares = 5 * (np.log(100) - log_rate) ** 2 + 2 * 0.35**2
    assert rates.rate[row] == pytest.approx(np.exp(log_rate))
    assert rates.spread[row] == pytest.approx(np.sqrt(squares / 7))


def test_a_class_of_four_falls_back_to_its_type() -> None:
    rates = rates_of([100.0] * 4 + [60.0] * 6, [1] * 10, [1] * 4 + [2] * 6)
    row = cr.rate_for(rates, [1, 1], [1, 2])
    assert list(rates.level[row]) == [cr.Level.TYPE, cr.Level.TYPE_AT_DEPOT]
    assert list(rates.vehicles[row]) == [10, 6]


def test_a_type_of_four_falls_back_to_the_fleet() -> None:
    rates = rates_of([100.0] * 4 + [60.0] * 6, [1] * 4 + [2] * 6, [1] * 10)
    row = cr.rate_for(rates, [1, 2, 7], [1, 1, 3])
    levels = [cr.Level.FLEET, cr.Level.TYPE_AT_DEPOT, cr.Level.FLEET]
    assert list(rates.level[row]) == levels


def test_one_vehicle_is_enough_for_the_fleet_row() -> None:
    rates = rates_of([80.0], [1], [1])
    assert list(rates.level) == [cr.Level.FLEET]
    assert rates.rate[0] == pytest.approx(80.0)
    assert rates.spread[0] == pytest.approx(np.sqrt(2 * 0.35**2 / 3))


def test_a_month_without_a_vehicle_that_counts_writes_no_row() -> None:
    rates = rates_of([80.0], [1], [1], sum_d=[30.0])
    assert rates.rate.size == 0
    assert list(cr.rate_for(rates, [1], [1])) == [-1]


def test_vehicles_with_thirty_days_or_silent_for_over_seventy_are_left_out() -> None:
    rates = rates_of(
        [10.0, 20.0, 40.0, 80.0],
        [1] * 4,
        [1] * 4,
        sum_d=[30.0, 30.1, 100.0, 100.0],
        last_at_d=[AS_OF_D, AS_OF_D, AS_OF_D - 70.0, AS_OF_D - 70.1],
    )
    assert rates.vehicles[0] == 2
    assert rates.rate[0] == pytest.approx(np.sqrt(20.0 * 40.0))


def test_a_standing_vehicle_counts_with_the_floor() -> None:
    assert rates_of([0.0], [1], [1]).rate[0] == pytest.approx(1.0)
    hours = rates_of([0.0], [1], [1], least_per_day=cr.LEAST_H_PER_DAY)
    assert hours.rate[0] == pytest.approx(0.1)


def test_the_spread_never_falls_below_its_floor() -> None:
    assert rates_of([90.0] * 200, [1] * 200, [1] * 200).spread[0] == 0.15


def test_whole_numbers_give_the_same_as_floats_in_class_rates() -> None:
    whole = cr.class_rates(20_000, [100] * 5, [7_000] * 5, [19_990] * 5, [1] * 5, [1] * 5)
    floats = cr.class_rates(2e4, [100.0] * 5, [7e3] * 5, [19_990.0] * 5, [1] * 5, [1] * 5)
    np.testing.assert_array_equal(whole.rate, floats.rate)
