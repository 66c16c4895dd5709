"""A plan in the making: what is left of each row, counted anew after each visit put in or out."""

from itertools import combinations

import numpy as np
import pytest

from fleet.calc.visit_columns import columns
from fleet.calc.visit_solution import Solution, best_sets
from tests.calc.visit_cases import small


@pytest.mark.parametrize("seed", range(6))
def test_what_is_left_and_what_has_room_is_as_counted_anew(seed: int) -> None:
    task = small(seed, vehicles=5, days=4)
    cols = columns(task)
    solution, rng = Solution(task, cols), np.random.default_rng(seed)
    chosen: dict[int, tuple[int, ...]] = {}
    for _ in range(60):
        vehicle = int(rng.integers(5))
        mine = np.arange(cols.first[vehicle], cols.first[vehicle + 1])
        if vehicle in chosen or not len(mine):
            assert solution.drop(vehicle) == chosen.pop(vehicle, ())
        else:
            column = int(rng.choice(mine))
            fits = bool(solution.fits(vehicle)[column - mine[0]])
            assert solution.take(vehicle, [column]) == (None if fits else column)
            if fits:
                chosen[vehicle] = (column,)
        inside = [column for of in chosen.values() for column in of]
        left = task.capacity.copy()
        for column in inside:
            for number, row in enumerate(task.rows):
                days = slice(cols.day[column], None) if row.cumulative else cols.day[column]
                left[number, days] -= cols.use[column, number]
        np.testing.assert_allclose(solution.left, left)
        for number, row in enumerate(task.rows):
            room = [left[number, day:].min() if row.cumulative else left[number, day]
                    for day in range(task.days)]  # fmt: skip
            np.testing.assert_allclose(solution.room[number], room)
        assert solution.all_columns == sorted(inside)
        assert solution.saving_minor == pytest.approx(cols.saving_minor[inside].sum())
        comes = {(int(cols.vehicle[one]), int(cols.day[one])) for one in inside}
        assert set(zip(*(at.tolist() for at in np.nonzero(solution.comes)), strict=True)) == comes


@pytest.mark.parametrize("seed", range(6))
def test_the_best_visits_of_a_vehicle_do_no_service_twice_and_save_most(seed: int) -> None:
    task = small(seed)
    cols = columns(task)
    rng = np.random.default_rng(seed)
    saving = cols.saving_minor * rng.uniform(-0.3, 1, len(cols))
    for vehicle in range(4):
        mine = np.arange(cols.first[vehicle], cols.first[vehicle + 1]).tolist()
        open_to = rng.random(len(mine)) < 0.7
        usable = [j for j, is_open in zip(mine, open_to, strict=True) if is_open]
        best = 0.0
        for size in (1, 2, 3):
            for some in combinations(usable, size):
                bits = [int(cols.mask[j]) for j in some]
                if sum(bits) == np.bitwise_or.reduce(bits):
                    best = max(best, sum(saving[j] for j in some))
        picked = best_sets(cols, vehicle, saving, open_to)
        assert sum(saving[j] for j in picked) == pytest.approx(best)
        assert set(picked) <= set(usable)
        bits = [int(cols.mask[j]) for j in picked]
        assert not picked or sum(bits) == np.bitwise_or.reduce(bits)


def test_a_vehicle_comes_once_a_day_and_what_does_not_fit_leaves_all_as_it_was() -> None:
    task = small(2)
    cols = columns(task)
    vehicle = int(np.argmax(np.diff(cols.first)))
    mine = list(range(cols.first[vehicle], cols.first[vehicle + 1]))
    one, other = next((a, b) for a, b in combinations(mine, 2) if cols.day[a] == cols.day[b])
    solution = Solution(task, cols)
    assert solution.take(vehicle, [one, other]) == other
    assert (solution.all_columns, solution.saving_minor) == ([], 0)
    assert solution.left.tolist() == task.capacity.tolist()
    assert [len(day) for day in solution.on_day] == [0] * task.days
    assert solution.drop(vehicle) == ()
