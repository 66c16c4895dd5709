"""Verdicts: the order of checks and their bounds.

Hand calculation used throughout: one reading, R = 100 km/day, s = .4, 7 days later gives b0 = 50,
m = 700 km and sd² = 100² (14 + (.1225 + .16) 49) + 15² + 30² = 279,550, so sd = 528.72 km.
"""

import numpy as np
import pytest

from fleet.calc.expectations import Base
from fleet.calc.verdicts import (
    ACCEPTED,
    DECIDED_ACCEPT,
    DECIDED_HELD,
    DECIDED_REJECT,
    HELD,
    REASONS,
    REJECTED,
    Batch,
    Memory,
    fits_between,
    held_as_rows,
    judge,
)

from .dirty_meters import NOW_D, START_D, judge_days, memory_of_one, words


def test_a_first_reading_is_accepted() -> None:
    found = judge_days([0], [123_456])
    assert (found.verdict[0], found.total_km[0]) == (ACCEPTED, 123_456)


def test_memory_after_two_readings_follows_the_hand_calculation() -> None:
    memory = memory_of_one()
    judge_days([0, 7, 14], [1_000, 1_700, 2_100], memory)
    fade = 2 ** (-7 / 90)
    assert memory.weight_d[0] == pytest.approx(fade * 7 + 7)
    assert memory.weight_km[0] == pytest.approx(fade * 700 + 400)
    # v: z = 0 first, so .9; then r = (700 + 5000) / 57 = 100, z = -300 / sd with v = .9
    var = 100**2 * (2 * 0.9 * 7 + (0.1225 * 0.9 + 1 / (6.25 + 7 / 8)) * 49) + 225 + 900
    assert memory.scatter[0] == pytest.approx(0.81 + 0.1 * 300**2 / var)
    assert (memory.prev_km[0], memory.prev_weight_d[0], memory.accepted[0]) == (1_700, 7, 3)


@pytest.mark.parametrize(
    ("grain", "var_km2"),
    [
        (1.0, 100**2 * (2 * 180 + (0.1225 * 90 / 180 + 0.16) * 180**2) + 15**2 + 30**2),
        (0.1, 100**2 * (2 * 180 + (0.1225 * 90 / 180 + 0.16) * 180**2) + 1.5**2 + 30**2),
    ],
)
def test_drift_fades_over_long_gaps_and_noise_is_finer_in_hours(
    grain: float, var_km2: float
) -> None:
    zero, one = np.zeros(1), np.ones(1)
    base = Base(zero, zero, zero, zero, one, 100 * one, 0.4 * one, 900 * one, grain * one)
    assert base.step(180 * one).sd_km[0] ** 2 == pytest.approx(var_km2, rel=1e-12)


@pytest.mark.parametrize(("rise_km", "weighed"), [(2_021.8, False), (2_021.9, True)])
def test_explanations_are_weighed_from_two_and_a_half_deviations(
    rise_km: float, weighed: bool
) -> None:
    found = judge_days([0, 7], [100_000, 100_000 + rise_km])  # 700 + 2.5 · 528.72 = 2021.81
    assert found.verdict[1] == ACCEPTED
    assert bool(np.isfinite(found.probability[1])) is weighed


@pytest.mark.parametrize(("fall_km", "reason"), [(1.0, ""), (1.1, "noted_late")])
def test_a_fall_by_rounding_is_accepted_and_more_is_not(fall_km: float, reason: str) -> None:
    found = judge_days([0, 0.6], [100_000, 100_000 - fall_km])
    assert words(found)[1] == reason


@pytest.mark.parametrize(
    ("late_d", "verdict", "reason"), [(1.0, ACCEPTED, ""), (1.001, REJECTED, "future_date")]
)
def test_a_moment_more_than_a_day_ahead_is_refused(
    late_d: float, verdict: int, reason: str
) -> None:
    found = judge_days([NOW_D + late_d - START_D], [5_000])
    assert (found.verdict[0], words(found)) == (verdict, [reason])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, -1.0])
def test_what_is_no_number_is_rejected_and_leaves_no_trace(value: float) -> None:
    memory = memory_of_one()
    found = judge_days([0, 1, 2], [value, 5_000, 5_090], memory)
    assert words(found) == ["not_a_number", "", ""]
    assert (found.verdict[0], memory.accepted[0]) == (REJECTED, 2)


def test_a_huge_number_is_held_without_overflow() -> None:
    assert words(judge_days([0, 7, 14], [5_000, 1e300, 6_400])) == ["", "jump", ""]


@pytest.mark.parametrize(
    ("value", "source", "verdict", "reason"),
    [
        (100_001.0, 5, REJECTED, "duplicate"),
        (99_999.0, 6, REJECTED, "duplicate"),
        (100_001.5, 5, HELD, "contradicts_earlier_entry"),
        (100_002.0, 6, ACCEPTED, ""),
    ],
)
def test_entries_of_one_moment_are_compared(
    value: float, source: int, verdict: int, reason: str
) -> None:
    found = judge_days([0, 0], [100_000, value], source=[5, source])
    assert (found.verdict[1], words(found)[1]) == (verdict, reason)


def test_a_copy_of_a_held_reading_is_a_duplicate() -> None:
    found = judge_days([0, 7, 7], [100_000, 345_000, 345_000])
    assert words(found) == ["", "jump", "duplicate"]


def test_a_copy_of_the_held_reading_before_the_last_is_a_duplicate() -> None:
    found = judge_days([0, 7, 7, 7], [100_000, 345_000, 789_000, 345_000])
    assert words(found)[3] == "duplicate"


@pytest.mark.parametrize(
    ("rate", "days", "reason"),
    [(60, 1, ""), (61, 1, "duplicate"), (61, 3, "duplicate"), (61, 3.1, ""), (70, 0.9, "")],
)
def test_the_same_value_is_held_when_over_60_km_were_expected_in_1_to_3_days(
    rate: float, days: float, reason: str
) -> None:
    found = judge_days([0, days], [8_000, 8_000], memory_of_one(rate))
    assert words(found)[1] == reason


@pytest.mark.parametrize(("rise_km", "accepted"), [(1_800, True), (1_801, False)])
def test_no_vehicle_beats_the_most_it_can_cover(rise_km: float, accepted: bool) -> None:
    # one day allows 900 (1 + 1) km; R = 800, s = 1 puts 1801 km within one deviation (1434 km)
    found = judge_days([0, 1], [100_000, 100_000 + rise_km], memory_of_one(800, 1.0))
    assert (found.verdict[1] == ACCEPTED) is np.bool_(accepted)


def test_a_reading_before_the_last_accepted_one_is_left_to_its_neighbours() -> None:
    memory = memory_of_one()
    judge_days([0, 14], [1_000, 2_400], memory)
    found = judge_days([7], [1_700], memory)
    assert (found.verdict[0], words(found), found.late[0]) == (HELD, ["out_of_order"], True)
    assert (memory.last_km[0], memory.held_count[0]) == (2_400, 0)


def test_decisions_of_people_are_followed() -> None:
    fixed = [0, DECIDED_ACCEPT, DECIDED_HELD, DECIDED_REJECT]
    memory = memory_of_one()
    found = judge_days([0, 7, 14, 21], [100_000, 400_000, 401_000, 402_000], memory, fixed=fixed)
    assert found.verdict.tolist() == [ACCEPTED, ACCEPTED, HELD, REJECTED]
    assert words(found) == ["", "", "kept", "kept"]
    # z is clipped at 3: v = .9 + .1 · 9
    assert (memory.last_km[0], memory.scatter[0]) == (400_000, pytest.approx(1.8))


def test_a_decision_may_accept_a_first_reading() -> None:
    memory = memory_of_one()
    judge_days([0], [5_000], memory, fixed=DECIDED_ACCEPT)
    assert (memory.accepted[0], memory.last_decided[0]) == (1, True)


def test_an_hour_meter_has_finer_bounds_and_no_miles() -> None:
    hours = memory_of_one(7.0, 0.4, 24.0, 0.1)
    assert words(judge_days([0, 1], [500.0, 500.0], hours)) == ["", "duplicate"]  # 7 h > 6 h
    again = memory_of_one(5.0, 0.4, 24.0, 0.1)
    found = judge_days([0, 0, 0], [500.0, 500.1, 500.2], again, source=[1, 2, 1])
    assert words(found) == ["", "duplicate", "contradicts_earlier_entry"]
    typed_less = judge_days([0, 7], [8_000.0, 8_035 / 1.609344], memory_of_one(5, 0.4, 24, 0.1))
    assert words(typed_less)[1] == "rolled_back"


@pytest.mark.parametrize(
    ("km", "before", "after", "fits"),
    [
        (150, (0, 100), (14, 200), True),
        (99, (0, 100), (14, 200), True),
        (98.5, (0, 100), (14, 200), False),
        (201, (0, 100), (14, 200), True),
        (201.5, (0, 100), (14, 200), False),
        (7_300, (0, 100), (14, 7_400), True),  # 900 (7 + 1) = 7200 km in 7 days
        (7_301, (0, 100), (14, 7_400), False),
        (150, (np.nan, np.nan), (14, 7_351), False),
        (150, (np.nan, np.nan), (14, 7_350), True),
        (150, (0, 100), (np.nan, np.nan), True),
        (np.nan, (0, 100), (np.nan, np.nan), False),
    ],
)
def test_a_late_reading_must_fit_between_its_neighbours(
    km: float, before: tuple[float, float], after: tuple[float, float], fits: bool
) -> None:
    assert bool(fits_between([7.0], [km], *before, *after, 900.0)[0]) is fits


@pytest.mark.parametrize(
    ("start", "at_d", "value_km", "fixed", "message"),
    [
        ([0, 2], [2.0, 1.0], [1, 2], 0, "sorted by time"),
        ([1, 2], [1.0, 2.0], [1, 2], 0, "start must rise"),
        ([0, 2], [1.0, np.nan], [1, 2], 0, "needs a moment"),
        ([0, 2], [1.0, 2.0], [1, np.inf], DECIDED_ACCEPT, "must be a number"),
    ],
)
def test_a_batch_in_disorder_is_refused(
    start: list[int], at_d: list[float], value_km: list[float], fixed: int, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Batch.of(start, [1, 2], at_d, value_km, fixed=fixed)


def test_times_may_restart_with_the_next_meter_and_meters_may_have_no_reading() -> None:
    batch = Batch.of([0, 0, 2, 2, 3, 3], [1, 2, 3], [5.0, 6.0, 1.0], [10, 20, 30])
    memory = Memory.start(5, 100, 0.4, 900)
    assert judge(memory, batch, NOW_D).verdict.tolist() == [ACCEPTED] * 3
    assert memory.accepted.tolist() == [0, 2, 0, 1, 0]


def test_memory_refuses_a_rate_that_is_not_positive() -> None:
    with pytest.raises(ValueError, match="rate_km_per_day must be a positive number"):
        Memory.start(2, [100, 0], 0.4, 900)


def test_a_batch_for_other_meters_is_refused() -> None:
    with pytest.raises(ValueError, match="1 meters have readings but 2 have memory"):
        judge(Memory.start(2, 100, 0.4, 900), Batch.of([0, 1], [1], [1.0], [1]), NOW_D)


def test_held_rows_name_what_is_held_since_the_last_accepted_reading() -> None:
    memory = memory_of_one()
    judge_days([0, 7, 14], [100_000, 300_000, 150_000], memory)
    assert held_as_rows(memory) == [[[1, START_D + 7, 300_000.0], [2, START_D + 14, 150_000.0]]]


def test_every_reason_is_a_different_word() -> None:
    assert len(set(REASONS)) == len(REASONS)
