"""The factor of the bands: when it widens, by how much, and that it goes back to 1 and no lower."""

import numpy as np
import pytest

from fleet.calc.widening import widened

OWNERS = np.arange(2_000) % 25


def factor_of(needed: np.ndarray, vehicles: int = 25) -> float:
    """Factor by forecasts at one distance, made for so many vehicles in turn."""
    return widened(needed[:, None], np.arange(needed.size) % vehicles).factor


def needed(inside: int, outside: float, beyond: int) -> np.ndarray:
    return np.concatenate((np.full(inside, 0.5), np.full(beyond, outside)))


def test_too_few_dates_inside_widen_the_band_until_four_in_five_are() -> None:
    each = np.linspace(0.0, 2.0, 1_001)  # half of them within the band as it is
    found = widened(each[:, None], np.arange(1_001) % 25)
    assert found.inside_share == pytest.approx(0.5, abs=0.001)
    assert found.factor == pytest.approx(1.6)  # four fifths of the way to 2
    assert (each <= found.factor).mean() >= 0.8


def test_three_in_four_inside_are_enough() -> None:
    assert factor_of(needed(300, 3.0, 100)) == 1.0
    assert factor_of(needed(299, 3.0, 101)) == 3.0


def test_a_band_too_wide_is_never_narrowed() -> None:
    assert factor_of(np.full(1_000, 0.1)) == 1.0


def test_a_factor_is_rounded_up_to_a_hundredth() -> None:
    assert factor_of(np.full(400, 1.231)) == 1.24
    assert factor_of(np.full(400, 1.23)) == 1.23


def test_fewer_than_three_hundred_forecasts_decide_nothing() -> None:
    assert factor_of(np.full(299, 2.0)) == 1.0
    assert factor_of(np.full(300, 2.0)) == 2.0


def test_four_distances_of_a_forecast_are_one_vehicle_s_year() -> None:
    # 1,196 outcomes of 299 forecasts
    four = np.full((299, 4), 2.0)
    assert widened(four, OWNERS[:299]).factor == 1.0
    assert widened(four, OWNERS[:299]).forecasts == 299


def test_fewer_than_twenty_vehicles_decide_nothing() -> None:
    assert factor_of(np.full(800, 2.0), vehicles=19) == 1.0
    assert factor_of(np.full(800, 2.0), vehicles=20) == 2.0


def test_undecided_forecasts_are_none() -> None:
    each = np.full((700, 2), np.nan)
    each[:200, 1] = 2.0
    found = widened(each, np.repeat([1, 2], [690, 10]))
    assert (found.forecasts, found.vehicles, found.factor) == (200, 1, 1.0)


def test_dates_that_never_came_true_stop_at_the_widest_band() -> None:
    assert factor_of(np.full(400, np.inf)) == 4.0


def test_nothing_to_count_widens_nothing() -> None:
    found = widened(np.empty((0, 4)), [])
    assert (found.forecasts, found.factor) == (0, 1.0)
