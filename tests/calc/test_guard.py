"""The guard's factor: when it rises, by how much, and that it never falls."""

import numpy as np
import pytest

from fleet.calc.guard import guarded


def needed(inside: int, outside: float, beyond: int) -> np.ndarray:
    return np.concatenate((np.full(inside, 0.5), np.full(beyond, outside)))


def test_too_few_dates_inside_widen_the_band_until_four_in_five_are() -> None:
    each = np.linspace(0.0, 2.0, 1_001)  # half of them within the band as it is
    found = guarded(each, 1.0)
    assert found.inside_share == pytest.approx(0.5, abs=0.001)
    assert found.factor == pytest.approx(1.6)  # four fifths of the way to 2
    assert (each <= found.factor).mean() >= 0.8


def test_three_in_four_inside_are_enough() -> None:
    assert guarded(needed(300, 3.0, 100), 1.0).factor == 1.0
    assert guarded(needed(299, 3.0, 101), 1.0).factor == 3.0


def test_a_band_too_wide_is_never_narrowed() -> None:
    assert guarded(np.full(1_000, 0.1), 1.0).factor == 1.0
    assert guarded(np.full(1_000, 0.1), 1.7).factor == 1.7


def test_outcomes_are_counted_inside_the_band_in_force() -> None:
    each = np.linspace(0.0, 2.0, 1_001)
    assert guarded(each, 1.6).factor == 1.6
    assert guarded(1.5 * each, 1.6).factor == pytest.approx(2.4)


def test_fewer_than_three_hundred_outcomes_decide_nothing() -> None:
    assert guarded(np.full(299, 2.0), 1.0).factor == 1.0
    assert guarded(np.full(300, 2.0), 1.0).factor == 2.0


def test_undecided_forecasts_are_no_outcomes() -> None:
    each = np.concatenate((np.full(200, 2.0), np.full(500, np.nan)))
    assert guarded(each, 1.0).outcomes == 200
    assert guarded(each, 1.0).factor == 1.0


def test_dates_that_never_came_true_stop_at_the_widest_band() -> None:
    assert guarded(np.full(400, np.inf), 1.0).factor == 4.0


def test_nothing_to_count_keeps_the_factor() -> None:
    found = guarded([], 1.2)
    assert (found.outcomes, found.factor) == (0, 1.2)
