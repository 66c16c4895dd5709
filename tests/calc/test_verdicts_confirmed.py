"""Readings held after standing that the next one confirms are accepted without a clerk."""

import numpy as np
import pytest

from fleet.calc.verdicts import ACCEPTED, HELD, REASONS, Batch, Judgement, Memory, judge

NOW_D, TOP = 30_000.0, 900.0
ODD, NEXT = (2, 2_250), (14, 2_600)
LAST = [*(7 * week for week in range(53))]


def batch_of(days: list[float], km: list[float], **more: object) -> Batch:
    return Batch.of([0, len(days)], np.arange(len(days)), np.array(days) + 20_000.0, km, **more)


def judged(steps: list[tuple[float, float]], **more: object) -> tuple[Judgement, Memory]:
    """Fifty-two weeks of 700 km, then readings (days, km) after the last of them."""
    days = [*LAST, *(364 + day for day, _ in steps)]
    km = [*(100.0 * day for day in LAST), *(36_400 + rise for _, rise in steps)]
    memory = Memory.start(1, 100.0, 0.2, TOP)
    return judge(memory, batch_of(days, [value + 50_000 for value in km], **more), NOW_D), memory


def words(found: Judgement, count: int) -> list[tuple[int, str]]:
    return [
        (int(verdict), REASONS[reason])
        for verdict, reason in zip(found.verdict[-count:], found.reason[-count:], strict=True)
    ]


def test_a_held_reading_between_accepted_neighbours_is_confirmed() -> None:
    # 2,250 km in two days look like 2,520 swapped; a fortnight later all is as expected.
    alone, _ = judged([ODD])
    assert words(alone, 1)[0][0] == HELD
    found, _ = judged([ODD, NEXT])
    assert words(found, 2) == [(ACCEPTED, "confirmed_by_the_next"), (ACCEPTED, "")]
    assert np.isnan(found.suggestion_km[-2])
    assert found.total_km[-2] == 50_000 + 36_400 + 2_250


def test_the_memory_is_as_if_it_had_been_accepted_at_once() -> None:
    found, memory = judged([ODD, NEXT])
    fixed = np.append(np.zeros(53), [1, 0])  # accepted by a person
    _, as_if = judged([ODD, NEXT], fixed=fixed)
    for name in ("weight_d", "weight_km", "scatter", "prev_km", "prev_at_d", "last_km"):
        assert getattr(memory, name)[0] == pytest.approx(getattr(as_if, name)[0]), name
    assert memory.accepted[0] == as_if.accepted[0] == 55
    assert not memory.waiting[0]


def test_what_lies_above_the_next_reading_stays_held() -> None:
    found, _ = judged([ODD, (14, 2_200)])
    assert words(found, 2)[0][0] != ACCEPTED
    assert words(found, 2)[1] == (ACCEPTED, "")


def test_a_way_that_nobody_can_have_driven_confirms_nothing() -> None:
    # From 2,250 km on the second day to 2,240 the meter would fall.
    found, _ = judged([ODD, (2.1, 2_240), NEXT])
    assert [verdict for verdict, _ in words(found, 3)] == [HELD, HELD, ACCEPTED]
    rising, _ = judged([ODD, (2.1, 2_260), (14, 2_300)])
    assert [verdict for verdict, _ in words(rising, 3)] == [ACCEPTED] * 3


def test_the_same_value_held_twice_is_confirmed_twice() -> None:
    # The vehicle stood that night: what does not fall may have been driven.
    found, _ = judged([ODD, (2.4, 2_250), NEXT])
    held, _ = judged([ODD, (2.4, 2_250)])
    assert [verdict for verdict, _ in words(held, 2)] == [HELD, HELD]
    assert words(found, 2)[0] == (ACCEPTED, "confirmed_by_the_next")
    assert [verdict for verdict, _ in words(found, 3)] == [ACCEPTED] * 3


def test_a_step_beyond_the_daily_maximum_confirms_nothing() -> None:
    # By hand: 900 km a day allow 2,700 within two days.
    beyond, _ = judged([(2, 2_760), (14, 2_780)])
    assert words(beyond, 2)[0][0] == HELD
    assert words(beyond, 2)[1] == (ACCEPTED, "")


def test_the_same_value_again_is_confirmed_by_the_next() -> None:
    found, _ = judged([(2, 0), (14, 1_300)])
    assert words(found, 2)[0] == (ACCEPTED, "confirmed_by_the_next")
    assert words(judged([(2, 0)])[0], 1) == [(HELD, "duplicate")]


def test_another_value_for_an_accepted_moment_is_not_between() -> None:
    found, _ = judged([(0, 30), (7, 700)])
    assert words(found, 2) == [(HELD, "contradicts_earlier_entry"), (ACCEPTED, "")]


def test_what_a_person_decided_stays() -> None:
    for decided, verdict in ((2, HELD), (3, 3)):
        fixed = np.append(np.zeros(53), [decided, 0])
        found, _ = judged([ODD, NEXT], fixed=fixed)
        assert words(found, 2)[0] == (verdict, "kept")


def test_a_reading_of_an_earlier_call_asks_for_the_whole_story() -> None:
    found, memory = judged([ODD])
    assert memory.waiting[0]
    assert not found.again[0]
    later = judge(memory, batch_of([364 + 14], [50_000 + 36_400 + 2_600]), NOW_D)
    assert later.verdict[0] == ACCEPTED
    assert later.again[0]
    assert not memory.waiting[0]


def test_only_a_reading_as_expected_confirms() -> None:
    # 3,000 km in a fortnight are likelier right than wrong, but no plain reading.
    found, _ = judged([ODD, (14, 3_000)])
    assert words(found, 2)[0][0] == HELD


def test_the_first_full_month_after_standing_is_not_held() -> None:
    months = [(30, 0), (60, 0), (90, 0), (120, 0), (150, 3_000)]
    found, memory = judged(months)
    assert words(found, 5) == [(ACCEPTED, "")] * 5
    # By hand: the weight of the last months fades by half in 90 days; standing counts .3.
    fade = 0.5 ** (30 / 90)
    weight = judged([])[1].weight_d[0]
    for _ in range(4):
        weight = fade * weight + 0.3 * 30
    assert memory.weight_d[0] == pytest.approx(fade * weight + 30)
