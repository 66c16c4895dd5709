"""The search for the number of vehicles, and what goes into a simulated trial, part by part."""

from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np
import pytest

from fleet.calc import trial_power
from fleet.calc.trial_draw import match_pairs
from fleet.calc.trial_inference import (
    Groups,
    arrangement_count,
    arrangements,
    difference_of_means,
    enough,
    is_over,
    two_sided,
)
from fleet.calc.trial_power import (
    OutOfReach,
    Plan,
    effect_left,
    power,
    spreads,
    vehicles_needed,
)


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> Callable[[dict[int, float]], list[int]]:
    """Let each number of vehicles have the power that is written down, else the last one's."""

    def put(powers: dict[int, float]) -> list[int]:
        asked: list[int] = []

        def fake(plan: Plan, vehicles: int, seed: int) -> bool:
            asked.append(vehicles)
            return powers[max(n for n in powers if n <= vehicles)] >= 0.82

        monkeypatch.setattr(trial_power, "_suffice", fake)
        vehicles_needed.cache_clear()
        return asked

    return put


SURE = Plan(4, between_sd=0.1, within_sd=0.1, mean=1, missing=0)


@pytest.mark.parametrize(
    ("powers", "needed"),
    [
        ({0: 0.9}, 4),
        ({0: 0.0, 9: 0.82}, 9),
        ({0: 0.0, 9: 0.8199, 12: 0.9}, 12),
        ({0: 0.0, 9: 0.9, 10: 0.1, 14: 0.9}, 14),  # a single one above does not do
        ({0: 0.0, 400: 0.9}, 400),
    ],
)
def test_the_first_of_two_in_a_row_is_enough(
    given: Callable[[dict[int, float]], list[int]], powers: dict[int, float], needed: int
) -> None:
    given(powers)
    assert vehicles_needed(SURE) == needed
    vehicles_needed.cache_clear()


def test_beyond_four_hundred_nothing_is_tried(
    given: Callable[[dict[int, float]], list[int]],
) -> None:
    asked = given({0: 0.0, 401: 0.9})
    with pytest.raises(OutOfReach):
        vehicles_needed(SURE)
    assert (asked[0], asked[-1]) == (4, 401)
    vehicles_needed.cache_clear()


@pytest.mark.parametrize(
    ("shown", "enough_of_them", "looked_at"),
    [
        ([200] * 10, True, 9),  # 1,640 of 2,000 runs are .82
        ([164] * 10, True, 10),
        ([164] * 9 + [163], False, 10),
        ([0] * 10, False, 2),  # 1,600 that are left could not make up for it
        ([20] * 10, False, 3),
    ],
)
def test_runs_are_looked_at_until_those_left_could_change_nothing(
    monkeypatch: pytest.MonkeyPatch, shown: list[int], enough_of_them: bool, looked_at: int
) -> None:
    told: list[int] = []

    def chunks(*given: object) -> Iterator[tuple[int, int]]:
        for one in shown:
            told.append(one)
            yield one, 200

    monkeypatch.setattr(trial_power, "_chunks", chunks)
    assert trial_power._suffice(SURE, 9, 0) is enough_of_them
    assert len(told) == looked_at


@pytest.mark.parametrize("ratings", [1, 8])
def test_the_search_begins_at_six_tenths_of_the_normal_approximation(
    given: Callable[[dict[int, float]], list[int]], ratings: int
) -> None:
    asked = given({0: 0.9})
    plan = Plan(0.3, mean=2.5, ratings=ratings)
    first = vehicles_needed(plan)
    # two-sided 5 % and a power of .82: z of 1.96 and .92
    spread = 0.6**2 + 0.9**2 / ratings
    expected = 0.6 * 2 * (1.96 + 0.92) ** 2 * spread / effect_left(plan) ** 2
    assert first == asked[0] == int(np.ceil(expected))
    vehicles_needed.cache_clear()


def test_a_design_with_less_than_its_smallest_number_is_not_tried(
    given: Callable[[dict[int, float]], list[int]],
) -> None:
    given({0: 0.9})
    assert (SURE.least, vehicles_needed(SURE)) == (4, 4)
    pairs = Plan(4, True, between_sd=0.1, within_sd=0.1, mean=1, missing=0)
    assert (pairs.least, vehicles_needed(pairs)) == (6, 6)
    vehicles_needed.cache_clear()


def test_what_is_left_of_a_difference_decides_whether_it_is_looked_for(
    given: Callable[[dict[int, float]], list[int]],
) -> None:
    given({0: 0.9})
    # half-way between two grades a shift of one in spreads of .32 moves 1.26 of a grade
    little, enough_of_it = (
        Plan(difference, mean=2.5, between_sd=0.1, within_sd=0.3) for difference in (0.07, 0.09)
    )
    assert effect_left(little) < 0.1 < effect_left(enough_of_it)
    with pytest.raises(OutOfReach):
        vehicles_needed(little)
    assert vehicles_needed(enough_of_it) > 4
    vehicles_needed.cache_clear()


def test_ratings_are_whole_grades_about_each_vehicles_own_lean() -> None:
    plan = Plan(1.0, mean=3.0, between_sd=0.0, within_sd=0.4, ratings=8, missing=0.25)
    in_b = np.arange(40) >= 20
    cells = trial_power._simulate(plan, in_b, np.random.default_rng(2), 50)
    assert cells.shape == (50, 40, 4)
    a, b = (np.nanmean(cells[:, of]) for of in (~in_b, in_b))
    assert (a, b) == (pytest.approx(3, abs=0.05), pytest.approx(4, abs=0.05))
    # two ratings lie in each band: both missing in a sixteenth of the cells
    assert np.isnan(cells).mean() == pytest.approx(1 / 16, abs=0.01)
    assert {*np.unique(cells[~np.isnan(cells)] * 2 % 1)} == {0.0}
    few = trial_power._simulate(Plan(1.0, ratings=2, missing=0), in_b, np.random.default_rng(2), 3)
    assert np.isnan(few[..., 2:]).all()
    assert not np.isnan(few[..., :2]).any()
    apart = Plan(0.0, between_sd=0.8, within_sd=0.01, ratings=8, missing=0)
    lean = trial_power._simulate(apart, in_b, np.random.default_rng(2), 20).mean(axis=2)
    assert lean.std() == pytest.approx(np.hypot(0.8, np.sqrt(1 / 12)), abs=0.06)


@pytest.mark.parametrize("pairs", [False, True])
def test_runs_with_as_many_scores_in_each_group_are_looked_at_together(pairs: bool) -> None:
    nan = np.nan
    score = np.array([
        [1.0, 2, 3, 4, 5, 6],
        [1.1, nan, 3.1, 4.1, 5.1, nan],
        [1.2, 2.2, nan, 4.2, 5.2, nan],
        [1.3, nan, 3.3, 4.3, 5.3, 6.3],
    ])  # fmt: skip
    in_b = np.array([False] * 3 + [True] * 3)
    found = {}
    for part, groups in trial_power._alike(score, in_b, Plan(1, pairs)):
        assert part.shape[0] == len(groups.in_b) == len(groups.stratum)
        found[groups.sizes] = part.T.tolist()
        half = int((~groups.in_b).sum())
        stratum = [0] * len(groups.in_b) if not pairs else [*range(half)] * 2
        assert groups.stratum.tolist() == stratum
    if pairs:  # a pair counts where both have a score
        assert found == {
            ((2, 1),) * 3: [[1, 2, 3, 4, 5, 6]],
            ((2, 1),) * 2: [[1.2, 2.2, 4.2, 5.2], [1.3, 3.3, 4.3, 6.3]],
            ((2, 1),): [[1.1, 4.1]],
        }
        return
    assert found == {
        ((6, 3),): [[1, 2, 3, 4, 5, 6]],
        ((4, 2),): [[1.1, 3.1, 4.1, 5.1], [1.2, 2.2, 4.2, 5.2]],
        ((5, 3),): [[1.3, 3.3, 4.3, 5.3, 6.3]],
    }


def test_a_difference_is_shown_where_few_arrangements_lie_as_far_out() -> None:
    groups = Groups(np.arange(8) >= 4, np.zeros(8, dtype=np.int64))
    apart = np.array([1.0, 2, 3, 4, 11, 12, 13, 14])  # the farthest of 70: p = 2/70
    near = np.array([1.0, 2, 3, 11, 4, 12, 13, 14])  # the second: p = 4/70 is above .05
    score = np.column_stack([apart, near, -apart])
    assert trial_power._shown(score, groups, 0) == 2
    nobody = Groups(np.zeros(8, dtype=bool), groups.stratum)
    assert trial_power._shown(score, nobody, 0) == 0
    assert trial_power._shown(score, Groups(~nobody.in_b, groups.stratum), 0) == 0
    small = Groups(np.arange(6) >= 3, np.zeros(6, dtype=np.int64))  # 20 arrangements: at best .1
    assert trial_power._shown(score[:6], small, 0) == 0


def test_of_many_arrangements_some_are_looked_at_and_that_at_hand_always() -> None:
    few = Groups(np.arange(8) >= 4, np.zeros(8, dtype=np.int64))
    assert len(trial_power._few(few, 0)) == 70
    many = Groups(np.arange(16) >= 8, np.zeros(16, dtype=np.int64))
    rows = trial_power._few(many, 0)
    assert len(rows) == 1_000
    assert rows[0].tolist() == many.in_b.tolist()
    assert (rows.sum(axis=1) == 8).all()


def test_power_is_the_share_of_runs_that_show_it() -> None:
    power.cache_clear()
    assert power(SURE, 4, runs=30) == 1
    nothing = Plan(0.0, mean=3, ratings=4)
    assert power(nothing, 4, runs=300) <= 0.09  # a level of .05
    assert power(Plan(1.5, mean=2.5), 6, runs=250) == power(Plan(1.5, mean=2.5), 6, runs=250)


@pytest.mark.parametrize(
    ("ratings", "vehicles", "known"),
    [(30, 15, True), (29, 15, False), (30, 30, False), (30, 29, True), (30, 1, False),
     (30, 2, True)],
)  # fmt: skip
def test_past_ratings_count_from_thirty_of_two_vehicles_one_rated_twice(
    ratings: int, vehicles: int, known: bool
) -> None:
    found = spreads(
        [at % vehicles for at in range(ratings)], [1.0 + at % 3 for at in range(ratings)]
    )
    assert (found is not None) is known


# --- what could have been drawn --------------------------------------------------------------
@pytest.mark.parametrize(
    ("sizes", "count", "plenty"),
    [
        (((8, 4),), 70, True),
        (((7, 3),), 35, False),  # 2 / 35 is above .05
        (((2, 1),) * 5, 32, False),
        (((2, 1),) * 6, 64, True),
        (((5, 2), (4, 2)), 60, True),
        (((5, 2), (4, 1)), 40, True),  # 2 / 40 is .05
        (((3, 0),), 1, False),
    ],
)
def test_arrangements_are_counted_and_enough_where_one_may_be_a_twentieth(
    sizes: tuple[tuple[int, int], ...], count: int, plenty: bool
) -> None:
    assert arrangement_count(sizes) == count
    assert enough(sizes) is plenty


def test_every_arrangement_keeps_each_stratums_numbers_and_comes_once() -> None:
    stratum = np.array([5, 3, 5, 3, 3, 5])
    groups = Groups(np.array([True, False, False, True, False, False]), stratum)
    assert groups.sizes == ((3, 1), (3, 1))
    rows = {tuple(row) for row in arrangements(groups, 0).tolist()}
    every = {
        tuple(at in (one, other) for at in range(6)) for one in (0, 2, 5) for other in (1, 3, 4)
    }
    assert rows == every
    assert len(arrangements(groups, 0)) == 9


@pytest.mark.parametrize("seed", range(3))
def test_p_is_twice_the_smaller_share_of_arrangements_as_far_out(seed: int) -> None:
    rng = np.random.default_rng(seed)
    score = rng.integers(1, 6, 7).astype(float)  # with ties
    in_b = np.arange(7) >= 4
    statistics = []
    for chosen in combinations(range(7), 3):
        b = [score[at] for at in chosen]
        a = [score[at] for at in range(7) if at not in chosen]
        statistics.append(sum(b) / 3 - sum(a) / 4)
    seen = float(score[in_b].mean() - score[~in_b].mean())
    above = sum(one >= seen - 1e-9 for one in statistics) / 35
    below = sum(one <= seen + 1e-9 for one in statistics) / 35
    rows = arrangements(Groups(in_b, np.zeros(7, dtype=np.int64)), 0)
    others = difference_of_means(rows, score[:, None])
    assert sorted(others[:, 0]) == pytest.approx(sorted(statistics))
    assert two_sided(seen, others)[0] == pytest.approx(min(1, 2 * min(above, below)))


@pytest.mark.parametrize(
    ("past", "counted", "over"),
    [(True, [0], True), (False, [8, 8], True), (False, [8, 7], False), (False, [9, 8], True),
     (False, [], False), (True, [], True)],
)  # fmt: skip
def test_the_planned_look_is_due_at_the_end_or_once_all_is_in(
    past: bool, counted: list[int], over: bool
) -> None:
    assert is_over(past, np.array(counted, dtype=np.int64), 8) is over


@pytest.mark.parametrize("seed", range(3))
def test_pairs_of_each_block_are_numbered_through_and_nearest(seed: int) -> None:
    rng = np.random.default_rng(seed)
    block, measure = rng.integers(0, 3, 11), rng.permutation(11).astype(float)
    pair = match_pairs(block, measure)
    expected, number = {}, 0
    for one in sorted(set(block.tolist())):
        here = sorted(np.flatnonzero(block == one).tolist(), key=lambda at: measure[at])
        for first, second in zip(here[::2], here[1::2], strict=False):
            expected[number] = {first, second}
            number += 1
    assert {n: set(np.flatnonzero(pair == n).tolist()) for n in range(number)} == expected
    assert set(pair.tolist()) <= {-1, *range(number)}
