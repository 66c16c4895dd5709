"""Explanations of an odd reading, one worked case each.

Base 123,456 km, 7 days later 124,156 ± 528.72 km is expected (hand calculation in test_verdicts),
so L at the mean is ln .375 - ln 528.72 = -7.251. Rolled back: ln .004 - ln 123456 = -17.245.
Jump: ln .004 - ln 10⁶ = -19.337. At most 900 · 8 = 7200 km can have been covered.
"""

import math

import numpy as np
import pytest

from fleet.calc.expectations import Base
from fleet.calc.explanations import SWAP, WRONG, Typed, explain
from fleet.calc.verdicts import ACCEPTED, HELD, REJECTED

from .dirty_meters import MILE_KM, judge_days, memory_of_one, words

MEAN_LOG = math.log(0.375) - 0.5 * math.log(279_550)
ROLLED = math.log(0.004 / 123_456)
JUMP = math.log(0.004 / 1e6)


def posterior(leader: float, *others: float) -> float:
    return 1 / (1 + sum(math.exp(other - leader) for other in others))


@pytest.mark.parametrize(
    ("given", "reason", "suggestion_km", "probability"),
    [
        (142_156, "digits_swapped", 124_156, posterior(math.log(0.004 / 5) + MEAN_LOG, JUMP)),
        (
            77_147,
            "miles_for_km",
            77_147 * MILE_KM,
            posterior(math.log(0.004 * MILE_KM) + MEAN_LOG, ROLLED),
        ),
        (12_415, "last_digit_lost", 124_155, posterior(math.log(0.03) + MEAN_LOG, ROLLED)),
        (
            24_156,
            "leading_digit_lost",
            124_156,
            posterior(math.log(0.002) - 0.5 + MEAN_LOG, ROLLED),
        ),
        (1_241_563, "extra_digit", 124_156, posterior(math.log(0.0002) + MEAN_LOG, JUMP)),
        (134_156, "wrong_digit", 124_156, posterior(math.log(0.004 / 54) + MEAN_LOG, JUMP)),
    ],
)
def test_a_sure_typing_fault_is_rejected_with_the_likely_value(
    given: float, reason: str, suggestion_km: float, probability: float
) -> None:
    found = judge_days([0, 7], [123_456, given])
    assert (found.verdict[1], words(found)[1]) == (REJECTED, reason)
    assert found.suggestion_km[1] == pytest.approx(suggestion_km)
    assert found.probability[1] == pytest.approx(probability, abs=2e-3)


@pytest.mark.parametrize(
    ("given", "reason"),
    [(90_000, "rolled_back"), (123_300, "noted_late"), (350, "new_meter"), (300_000, "jump")],
)
def test_what_happened_to_the_meter_is_held_without_suggestion(given: float, reason: str) -> None:
    found = judge_days([0, 7], [123_456, given])
    assert (found.verdict[1], words(found)[1]) == (HELD, reason)
    assert np.isnan(found.suggestion_km[1])


def test_a_new_meter_competes_with_three_lost_leading_digits() -> None:
    # 350 + 124 · 1000 = 124,350, 194 km above the mean; new meter: span 700 + 6 sd + 500 km
    lost = math.log(0.002) - 1.5 + MEAN_LOG - 2.5 * math.log(1 + 194**2 / 279_550 / 4)
    fresh = math.log(0.002 / (1_200 + 6 * math.sqrt(279_550)))
    found = judge_days([0, 7], [123_456, 350])
    assert found.probability[1] == pytest.approx(posterior(fresh, lost, ROLLED), abs=2e-3)


def test_noted_late_reaches_back_by_300_km() -> None:
    given = [123_456, 123_156]
    assert words(judge_days([0, 7], given))[1] == "noted_late"
    assert words(judge_days([0, 7], [123_456, 123_155]))[1] != "noted_late"


def test_km_in_a_column_of_miles_are_recognised() -> None:
    # 124,156 km typed where miles were due: 199,810 km, back by one mile factor
    found = judge_days([0, 7], [123_456, 124_156 * MILE_KM])
    assert words(found)[1] == "miles_for_km"
    assert found.suggestion_km[1] == pytest.approx(124_156)


def test_digits_are_those_typed_in_miles() -> None:
    # 77,147 miles are 124,156 km; typed 71,747
    unit_km = [1.0, MILE_KM]
    found = judge_days([0, 7], [123_456, 71_747 * MILE_KM], unit_km=unit_km)
    assert words(found)[1] == "digits_swapped"
    assert found.suggestion_km[1] == pytest.approx(77_147 * MILE_KM)


def test_digits_are_those_typed_before_a_confirmed_offset() -> None:
    # meter replaced at 100,000 km: shows 24,156, typed 42,156
    found = judge_days([0, 7], [123_456, 142_156], confirmed_km=100_000)
    assert words(found)[1] == "digits_swapped"
    assert found.suggestion_km[1] == pytest.approx(124_156)
    assert found.probability[1] < 0.995  # one of 4 pairs of 5 digits


def test_a_meter_replaced_before_can_be_replaced_again() -> None:
    found = judge_days([0, 7], [130_000, 100_300], confirmed_km=100_000)
    assert words(found)[1] == "new_meter"


def test_zero_is_one_digit_without_a_pair_to_swap() -> None:
    assert words(judge_days([0, 7], [123_456, 0]))[1] == "new_meter"


def test_a_possible_reading_is_held_but_never_rejected() -> None:
    # 7000 km in 7 days is possible, yet 100,700 with two digits swapped is likelier
    found = judge_days([0, 7], [100_000, 107_000])
    assert (found.verdict[1], words(found)[1]) == (HELD, "digits_swapped")
    assert found.suggestion_km[1] == 100_700


def test_a_wild_but_possible_reading_may_stand() -> None:
    # z = 4: ln .965 + L = -12.2 against -14.8 or less for every fault
    found = judge_days([0, 7], [140_000, 142_815])
    assert found.verdict[1] == ACCEPTED
    assert 0.5 < found.probability[1] < 1


def student(off_km: float) -> float:
    return MEAN_LOG - 2.5 * math.log(1 + off_km**2 / 279_550 / 4)


def test_a_reading_that_leads_with_less_than_a_half_is_held() -> None:
    # 105,000 after 100,000: itself 4,300 km off, swapped 100,500, or one wrong digit 101,000
    stands = math.log(0.965) + student(4_300)
    swapped = math.log(0.004 / 5) + student(-200)
    wrong = math.log(0.004 / 54) + student(300)
    assert 0.4 < posterior(stands, swapped, wrong, JUMP) < 0.5
    found = judge_days([0, 7], [100_000, 105_000])
    assert (found.verdict[1], words(found)[1]) == (HELD, "digits_swapped")
    expected = posterior(swapped, stands, wrong, JUMP)
    assert found.probability[1] == pytest.approx(expected, abs=2e-3)


def test_one_wrong_digit_means_another_value_near_what_is_expected() -> None:
    given = np.array([124_156.0, 119_999.0, 125_000.0])
    one, none = np.ones(3), np.zeros(3)
    base = Base(none, 123_456 * one, none, none, one, 100 * one, 0.4 * one, 900 * one, one)
    weighed = explain(base.step(7 * one), Typed(given, one, none))
    # nearest changes to the mean of 124,156, by hand; that of 119,999 is 129,999, farther off than
    # 2.5 of the standard deviation, about 360
    assert np.nan_to_num(weighed.km[:, WRONG]).tolist() == [124_155, 0, 124_000]


def test_two_digits_have_one_pair_to_swap_and_three_have_two() -> None:
    # a week on a unit a day: 91 is 19 swapped and 191 is 119, each just as expected
    one, none = np.ones(2), np.zeros(2)
    base = Base(none, np.array([12.0, 112.0]), none, none, one, one, 0.4 * one, 9 * one, one)
    weighed = explain(base.step(7 * one), Typed(np.array([91.0, 191.0]), one, none))
    assert weighed.km[:, SWAP].tolist() == [19, 119]
    assert np.diff(weighed.log[:, SWAP]) == pytest.approx(-math.log(2))


def test_hours_scale_like_km() -> None:
    # ten times finer in rate, noise and bounds: the same posterior for what has no digits
    km = judge_days([0, 7], [123_456, 123_300])
    hours = judge_days([0, 7], [12_345.6, 12_330.0], memory_of_one(10, 0.4, 90, 0.1))
    assert words(km)[1] == words(hours)[1] == "noted_late"
    assert hours.probability[1] == pytest.approx(km.probability[1], abs=0.02)
