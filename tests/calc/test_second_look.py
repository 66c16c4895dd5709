"""A reading looked at again beside its neighbours, worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.expectations import Step
from fleet.calc.explanations import Typed
from fleet.calc.second_look import _one_missing, between, look_again


def step(grain: float = 1.0, sd_km: float = 40.0) -> Step:
    """Ten days after 23,300 km at 50 km a day, at most 900 km a day."""
    values = (23_300.0, 10.0, 50.0, 500.0, sd_km, 9_900.0, grain)
    return Step(*(np.array([value]) for value in values))


def test_between_two_readings_the_rise_is_shared_by_time() -> None:
    found = between(step(), np.array([20.0]), np.array([23_500.0]))
    assert found.mean_km[0] == 100  # half of 200
    assert found.sd_km[0] == pytest.approx(28.284, abs=0.001)  # 40 × √(1 - ½)
    assert found.top_km[0] == 200


def test_without_a_reading_after_nothing_changes() -> None:
    free = between(step(), np.array([np.nan]), np.array([np.nan]))
    assert (free.mean_km[0], free.sd_km[0], free.top_km[0]) == (500, 40, 9_900)


@pytest.mark.parametrize(("grain", "sd"), [(1.0, 15.0), (0.1, 1.5)])
def test_it_is_never_surer_than_a_reading_is_read(grain: float, sd: float) -> None:
    # at the later reading itself the tied walk has no spread left; 15 km, or 1.5 h, remain
    found = between(step(grain), np.array([10.0]), np.array([23_800.0]))
    assert found.sd_km[0] == pytest.approx(sd)


def looked(typed: float, after: float, *, goes_on: bool = True) -> list[tuple[str, float]]:
    tied = between(step(), np.array([20.0]), np.array([after]))
    given = Typed(np.array([typed]), np.ones(1), np.zeros(1))
    (found,) = look_again(tied, given, np.array([goes_on]))
    return [(one.reason, one.km) for one in found.candidates]


def test_a_digit_left_out_is_named_by_its_place() -> None:
    # half way between 23,300 and 24,300 lies 23,800
    assert looked(2_800, 24_300) == [("digit_lost", 23_800.0)]  # the 3 in the middle
    assert ("leading_digit_lost", 23_800.0) in looked(3_800, 24_300)
    # of the ten values that lack their last digit the middle one stands for all
    assert ("last_digit_lost", 23_805.0) in looked(2_380, 24_300)


def test_what_lies_beyond_the_neighbours_is_no_candidate() -> None:
    assert all(23_299 <= km <= 24_300 for _, km in looked(13_800, 24_300))
    assert looked(105_403, 24_300) == []


def test_a_digit_lost_at_one_of_more_places_is_less_likely_to_be_that_one() -> None:
    # 2,800 lacks one at five places, 80 at three; both were expected to the kilometre
    def weight(typed: float, base_km: float) -> float:
        tied = replace(step(), base_km=np.array([base_km]))
        given = Typed(np.array([typed]), np.ones(1), np.zeros(1))
        log, km = _one_missing(tied, given)
        assert km[0] == base_km + 500
        return float(log[0])

    assert weight(80, 300) - weight(2_800, 23_300) == pytest.approx(np.log(5 / 3))
