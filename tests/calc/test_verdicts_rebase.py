"""Later readings that overturn earlier verdicts: looking back, and moving the base.

With 100,000 and 100,700 km a week apart r stays 100 km/day, so a week more is expected to bring
101,400 km: a provisional offset is 101,400 less the first value of the new count (hand).
"""

import numpy as np
import pytest

from fleet.calc.verdicts import ACCEPTED, DECIDED_ACCEPT, HELD, Judgement, reason_code

from .dirty_meters import MILE_KM, judge_days, memory_of_one, words

WEEKS = [7.0 * k for k in range(8)]


def weekly(*values: float, **more: object) -> Judgement:
    return judge_days(WEEKS[: len(values)], list(values), **more)  # type: ignore[arg-type]


def test_a_high_reading_is_held_once_the_next_one_contradicts_it() -> None:
    memory = memory_of_one()
    found = weekly(100_000, 106_500, 101_400, memory=memory)
    assert found.verdict.tolist() == [ACCEPTED, HELD, ACCEPTED]
    assert (words(found)[1], found.suggestion_km[1]) == ("wrong_digit", 100_500)
    assert bool(found.rewritten[0])
    assert (memory.accepted[0], memory.prev_km[0], memory.held_count[0]) == (2, 100_000, 0)
    assert (memory.weight_d[0], memory.weight_km[0]) == (14, 1_400)  # from W = K = 0, 14 days


def test_looking_back_over_calls_lists_the_new_label() -> None:
    memory = memory_of_one()
    assert weekly(100_000, 106_500, memory=memory).verdict.tolist() == [ACCEPTED, ACCEPTED]
    found = judge_days([14], [101_400], memory)
    (new,) = found.changed
    assert (new.reading_id, new.verdict, new.reason) == (1, HELD, reason_code("wrong_digit"))
    assert (new.suggestion_km, new.total_km, new.moves_base) == (100_500, 106_500, False)
    assert 0 < new.probability <= 1


def test_looking_back_over_calls_knows_the_unit_that_was_typed() -> None:
    # 61,300 miles typed 63,100: possible after 60,000, until 60,870 miles follow
    memory = memory_of_one()
    miles = np.array([60_000, 63_100, 60_870]) * MILE_KM
    judge_days([0, 7], miles[:2].tolist(), memory, unit_km=MILE_KM)
    (new,) = judge_days([14], miles[2:].tolist(), memory, unit_km=MILE_KM).changed
    assert new.reason == reason_code("digits_swapped")
    assert new.suggestion_km == pytest.approx(61_300 * MILE_KM)


def test_what_a_person_accepted_is_not_taken_back() -> None:
    found = weekly(100_000, 106_500, 101_400, fixed=[0, DECIDED_ACCEPT, 0])
    assert found.verdict.tolist() == [ACCEPTED, ACCEPTED, HELD]
    memory = memory_of_one()
    weekly(100_000, 106_500, memory=memory, fixed=[0, DECIDED_ACCEPT])
    assert judge_days([14], [101_400], memory).verdict.tolist() == [HELD]


def test_nothing_is_taken_back_for_a_reading_that_fits_neither() -> None:
    found = weekly(100_000, 106_500, 60_000)
    assert found.verdict.tolist() == [ACCEPTED, ACCEPTED, HELD]


def test_nothing_is_taken_back_for_a_reading_four_deviations_off() -> None:
    # from 93,622 km 1,400 ± 1,119 km are expected in 14 days (v = 1.8); 99,707 is 4.2 sd off
    found = weekly(93_622, 100_448, 99_707)
    assert found.verdict.tolist() == [ACCEPTED, ACCEPTED, HELD]


def test_with_readings_held_a_slip_of_unit_takes_nothing_back() -> None:
    # 4,382 km in miles is 7,052 km, which follows 6,322: the new reading is at fault
    found = weekly(2_793, 6_322, 204_080, 4_382)
    assert found.verdict.tolist() == [ACCEPTED, ACCEPTED, HELD, HELD]
    assert words(found)[3] == "miles_for_km"


@pytest.mark.parametrize(
    ("values", "reason"),
    [((300_000, 300_700, 301_400), "jump"), ((60_000, 60_700, 61_400), "rolled_back")],
)
def test_three_that_agree_move_the_base(values: tuple[float, ...], reason: str) -> None:
    memory = memory_of_one()
    found = weekly(100_000, 100_700, *values, values[2] + 700, memory=memory)
    assert found.verdict.tolist() == [1, 1, 2, 2, 2, 1]
    assert words(found) == ["", "", reason, reason, reason, ""]
    assert found.total_km.tolist() == [100_000, 100_700, 101_400, 102_100, 102_800, 103_500]
    assert found.provisional.tolist() == [False] * 2 + [True] * 4
    assert found.moves_base.tolist() == [False] * 4 + [True, False]
    assert memory.offset_km[0] == 101_400 - values[0]


def test_two_that_agree_move_the_base_of_a_new_meter() -> None:
    found = weekly(100_000, 100_700, 200, 900, 1_600)
    assert words(found) == ["", "", "new_meter", "new_meter", ""]
    assert found.total_km.tolist() == [100_000, 100_700, 101_400, 102_100, 102_800]
    assert found.moves_base.tolist() == [False, False, False, True, False]


def test_a_moved_base_keeps_the_weights_and_forgets_the_reading_before() -> None:
    memory = memory_of_one()
    weekly(100_000, 100_700, memory=memory)
    before = memory.copy()
    judge_days([14, 21, 28], [300_000, 300_700, 301_400], memory)
    assert memory.weight_d == before.weight_d
    assert memory.weight_km == before.weight_km
    assert (memory.last_km[0], memory.accepted[0], memory.held_count[0]) == (301_400, 2, 0)
    assert np.isnan(memory.prev_at_d[0])


def test_a_moved_base_relabels_readings_of_earlier_calls() -> None:
    memory = memory_of_one()
    weekly(100_000, 100_700, 1_014_000, memory=memory)
    judge_days([21], [1_014_700], memory)
    found = judge_days([28], [1_015_400], memory)
    assert [(c.verdict, c.total_km, c.provisional) for c in found.changed] == [
        (HELD, 102_100, True),
        (HELD, 101_400, True),
    ]  # ids 0 and 2: both calls number from 0
    assert {c.reason for c in found.changed} == {reason_code("jump")}
    assert bool(found.moves_base[0])
    assert bool(found.rewritten[0])


def test_a_base_can_move_twice() -> None:
    found = weekly(100_000, 100_700, 300_000, 300_700, 301_400, 302_100, 500, 1_200)
    assert found.total_km[6:].tolist() == pytest.approx([104_200, 104_900])
    assert words(found)[6:] == ["new_meter", "new_meter"]


@pytest.mark.parametrize(
    "values", [(300_000, 300_700), (300_000, 300_700, 290_000), (300_000, 305_000, 310_000)]
)
def test_too_few_or_disagreeing_readings_leave_the_base(values: tuple[float, ...]) -> None:
    found = weekly(100_000, 100_700, *values)
    assert not found.moves_base.any()
    assert not found.provisional.any()


def test_a_renewed_meter_with_one_accepted_reading_keeps_it_when_the_base_moves_again() -> None:
    found = weekly(100_000, 200, 900, 345_000, 345_700, 346_400)
    assert found.verdict.tolist() == [ACCEPTED] + [HELD] * 5
    assert found.moves_base.tolist() == [False, False, True, False, False, True]
    assert found.total_km.tolist() == [100_000 + 700 * k for k in range(6)]


def test_a_wrong_first_reading_gives_way_to_three_that_agree() -> None:
    memory = memory_of_one()
    found = weekly(1_000_000, 100_700, 101_400, 102_100, 102_800, memory=memory)
    assert found.verdict.tolist() == [HELD] + [ACCEPTED] * 4
    assert words(found) == ["contradicted_by_later", "", "", "", ""]
    assert found.total_km.tolist() == [1_000_000, 100_700, 101_400, 102_100, 102_800]
    assert not found.provisional.any()
    fade = 2 ** (-7 / 90)
    assert memory.accepted[0] == 4
    assert memory.prev_weight_d[0] == pytest.approx(fade * 7 + 7)


def test_a_first_reading_of_an_earlier_call_gives_way_too() -> None:
    memory = memory_of_one()
    judge_days([0], [1_000_000], memory)
    found = judge_days([7, 14, 21], [100_700, 101_400, 102_100], memory)
    assert found.verdict.tolist() == [ACCEPTED] * 3
    assert [(c.verdict, c.reason) for c in found.changed] == [
        (HELD, reason_code("contradicted_by_later"))
    ]
    assert bool(found.rewritten[0])


def test_a_first_reading_a_person_accepted_stays_and_the_base_moves() -> None:
    fixed = [DECIDED_ACCEPT, 0, 0, 0]
    found = weekly(1_000_000, 100_700, 101_400, 102_100, fixed=fixed)
    assert found.verdict.tolist() == [ACCEPTED, HELD, HELD, HELD]
    assert found.total_km.tolist() == [1_000_000, 1_000_700, 1_001_400, 1_002_100]


@pytest.mark.parametrize(("value", "moved"), [(116_600, True), (110_000, False)])
def test_a_reading_that_fits_held_ones_better_is_held_with_them(value: float, moved: bool) -> None:
    # after 93 days 9,300 ± 5,000 km are expected: both values could follow 100,700, but 116,600
    # is just what 108,100 leads to (85 days, 8,500 km) and 110,000 just what 100,700 leads to
    values = [100_000.0, 100_700.0, 108_000.0, 108_100.0, value]
    found = judge_days([0, 7, 14, 15, 100], values)
    assert bool(found.moves_base[4]) is moved
    assert found.verdict.tolist()[4] == (HELD if moved else ACCEPTED)


def test_a_reading_of_the_old_count_is_accepted_beside_held_ones() -> None:
    found = weekly(100_000, 100_700, 300_000, 102_100, 300_700, 103_500)
    assert found.verdict.tolist() == [1, 1, 2, 1, 2, 1]
