"""Sets of whole visits of a day: the best set by trying all, bounds that no plan undercuts."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy import sparse

from fleet.calc.visit_bound import columns_and_bound
from fleet.calc.visit_columns import Task, part_of
from fleet.calc.visit_days import Days, best_set, dearest_row
from fleet.calc.visit_effort import Effort, never
from fleet.calc.visit_plan import plan
from fleet.calc.visit_search import Search
from fleet.calc.visit_solution import Solution
from fleet.calc.visit_solver import integer, linear
from tests.calc import visit_cases as cases

ALWAYS = Effort(
    moves=0,
    more_moves=0,
    programs=0,
    more_programs=0,
    good_gap=0.0,
    tight_gap=0.0,
    whole_columns=0,
)


def made(task: Task) -> Days:
    """The days of a task, with prices as near as they come."""
    cols, relaxed = columns_and_bound(task, ())
    row = dearest_row(task, relaxed)
    days = Days(task, cols, relaxed, 0 if row is None else row, never)
    days.approached()
    return days


@pytest.mark.parametrize("seed", range(10))
def test_the_best_set_is_what_trying_all_finds(seed: int) -> None:
    random = np.random.default_rng(seed)
    vehicle = np.sort(random.integers(0, 4, 8))
    size, worth = random.integers(1, 8, 8), random.uniform(1, 9, 8)
    ways = (np.array(way, dtype=bool) for way in product((0, 1), repeat=8))
    most = max(
        float(worth[way].sum())
        for way in ways
        if size[way].sum() <= 12 and len(set(vehicle[way])) == way.sum()
    )
    best = best_set(12, size, vehicle, worth)
    assert worth[best].sum() == pytest.approx(most)
    assert size[best].sum() <= 12
    assert len(set(vehicle[best].tolist())) == len(best)


def test_of_sets_of_the_case_the_bound_lies_closer() -> None:
    # worked by hand with the case: shares of visits say 197.7727, and the optimum is 212
    assert 197.78 < made(cases.case()).bound_minor / cases.CENTS <= 212


# By brute force over all plans; minutes that have no common measure are cut into steps.
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("uneven_min", [0.0, 0.37])
def test_no_plan_costs_less_than_the_bound_by_sets(seed: int, uneven_min: float) -> None:
    task = cases.small(seed)
    first = task.rows[0]
    uneven = replace(first, use=first.use + uneven_min * np.arange(len(first.use)))
    task = replace(task, rows=(uneven, *task.rows[1:]))
    cols, relaxed = columns_and_bound(task, ())
    least = cases.all_costs(task)[0]
    days = made(task)
    assert days.bound_minor <= least + 1e-6
    assert days.bound_minor >= relaxed.bound_minor * 0.99


@pytest.mark.parametrize("seed", range(8))
def test_a_plan_of_the_surest_sets_keeps_every_row(seed: int) -> None:
    task = cases.small(seed)
    days = made(task)
    columns = days.dived()
    day = np.full(len(task.vehicle), -1)
    services_of = task.services_of
    for column in columns:
        of = services_of[int(days.cols.vehicle[column])]
        done = of[(int(days.cols.mask[column]) >> np.arange(len(of)) & 1).astype(bool)]
        assert (day[done] == -1).all()  # no service twice
        day[done] = days.cols.day[column]
    left_out_minor = task.leave_out_minor.sum() - days.cols.saving_minor[columns].sum()
    assert cases.cost_of(task, tuple(day.tolist())) == pytest.approx(left_out_minor)


@pytest.mark.parametrize("seed", range(4))
def test_planning_all_days_anew_is_never_dearer(seed: int) -> None:
    days = made(cases.small(seed))
    with_done = days.dived()
    anew = days.planned_anew(with_done, np.ones(days.task.days, dtype=bool))
    saving = days.cols.saving_minor
    assert saving[anew].sum() >= saving[with_done].sum() - 1e-6


def test_the_safety_clock_ends_the_search_for_sets() -> None:
    task = cases.small(1, vehicles=9, days=6)

    def sets_added(late: Callable[[], bool]) -> int:
        days = made(task)
        known, days.late = len(days.known), late
        days.planned_anew([], np.ones(task.days, dtype=bool))
        return len(days.known) - known

    # the first look, at prices that were looked at before, finds nothing new
    assert sets_added(lambda: True) == 0 < sets_added(never)


@pytest.mark.parametrize("seed", range(4))
def test_days_planned_by_sets_are_shared_out_whole(seed: int) -> None:
    task = cases.with_crew(seed)
    found = plan(task, effort=ALWAYS)
    least = cases.whole_costs(task)[0]
    day = tuple(found.day.tolist())
    assert found.bound_minor <= least <= found.cost_minor
    assert cases._shared(task, day)


def test_a_vehicle_with_many_services_may_have_no_limits_at_all() -> None:
    task = cases.small(0, vehicles=1, days=2)
    count = 7
    free = replace(
        task,
        vehicle=np.zeros(count, dtype=np.int64),
        cost_minor=np.tile([100.0, 200.0], (count, 1)),
        leave_out_minor=np.full(count, 9_000.0),
        wait_min=np.zeros(count),
        rows=(),
    )
    found = plan(free)
    assert found.day.tolist() == [0] * count  # by hand: all in one visit on the cheaper day


def test_minutes_with_a_common_measure_are_counted_in_it() -> None:
    # by hand: all are tens, the days have 12 and 21 of them; A's oil takes 60 and 20, its brake
    # fluid 30 and 20, both 90 and 20, B's oil 60 and 20, C's gearbox 90 and 20
    days = made(cases.case())
    assert days.limit.tolist() == [12, 21]
    whose = zip(days.cols.vehicle, days.cols.mask, days.size, strict=True)
    assert {(int(v), int(mask)): int(size) for v, mask, size in whose} == {
        (0, 0b01): 8,
        (0, 0b10): 5,
        (0, 0b11): 11,
        (1, 0b1): 8,
        (2, 0b1): 11,
    }
    assert days.least_size.tolist() == days.size.tolist()


TWELVE = replace(ALWAYS, windows=12)


def search_of(task: Task, effort: Effort = TWELVE) -> Search:
    cols, relaxed = columns_and_bound(task, ())
    return Search(task, cols, relaxed, effort, never)


def test_days_planned_anew_stand_side_by_side_or_are_drawn_from_twelve() -> None:
    assert search_of(cases.small(0))._window(0).all()  # of three days all
    search = search_of(cases.small(1, vehicles=9, days=20))
    open_days = np.unique(search.cols.day).tolist()
    for number in range(12):
        window = np.flatnonzero(search._window(number)).tolist()
        at = [open_days.index(on) for on in window]
        assert len(at) == 4
        assert at[-1] - at[0] == 3 if number % 2 == 0 else at[-1] - at[0] <= 11


def test_what_is_planned_anew_fills_days_that_nothing_stood_on() -> None:
    search = search_of(cases.small(0))
    search.days = made(search.task)
    solution = Solution(search.task, search.cols)
    search._windows(solution)
    assert solution.chosen
    late = search_of(cases.small(0))
    late.days, late.late = search.days, lambda: True
    nothing = Solution(late.task, late.cols)
    late._windows(nothing)
    assert not nothing.chosen


def test_columns_of_some_vehicles_begin_where_those_of_each_begin() -> None:
    cols, _ = columns_and_bound(cases.case(), ())
    # of the nine columns six are A's, two B's and one C's
    part = part_of(cols, np.array([1, 6, 7, 8]))
    assert part.vehicle.tolist() == [0, 1, 1, 2]
    assert part.first.tolist() == [0, 1, 3, 4]
    assert part_of(cols, np.array([0, 8])).first.tolist() == [0, 1, 1, 2]


def test_solving_prints_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    one = np.ones(1)
    found = integer(-one, sparse.csr_matrix([[1.0]]), one, nodes=1)
    assert found is not None
    assert found.x.tolist() == [1]
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("known", [0, 2, 3])
def test_a_program_with_more_columns_may_begin_where_one_ended(known: int) -> None:
    # most of 3a + 2b + 4c + 5d with a + b + c + d <= 4 and a + 3b + 2c + 2d <= 6: by hand,
    # a and b: (4, 0) is worth 12; with c: (2, 0, 2) is worth 14; with d: (2, 0, 0, 2) is worth 16
    cost = np.array([-3.0, -2, -4, -5])
    matrix = sparse.csr_matrix([[1.0, 1, 1, 1], [1, 3, 2, 2]])
    upper = np.array([4.0, 6.0])
    worth = {2: 12.0, 3: 14.0}
    before = linear(cost[:known], matrix[:, :known], upper) if known else None
    if before is not None:
        assert before.value == pytest.approx(-worth[known])
    found = linear(cost, matrix, upper, begin=before.basis if before else None)
    assert found.value == pytest.approx(-16)
    assert found.x == pytest.approx([2, 0, 0, 2])
    assert found.price == pytest.approx([1, 2])  # 1 + 2·2 = 5 of d, 1 + 2 = 3 of a


def test_a_tight_depot_is_near_enough_a_little_sooner() -> None:
    # ten services worth the same and minutes for most: these are worth more than what is left out
    task = cases.small(1, vehicles=8, days=1)
    left_out = np.full(len(task.vehicle), 10_000.0)
    free = replace(task, cost_minor=left_out[:, None] * 0, visit_minor=task.visit_minor * 0)
    tight = search_of(replace(free, leave_out_minor=left_out), Effort())
    loose = search_of(task, Effort())
    for search, shares in ((tight, (0.013, 0.012)), (loose, (0.0105, 0.0095))):
        solution = search.constructed()
        cost = search.everything - solution.saving_minor
        for share, enough in zip(shares, (False, True), strict=True):
            search.bound_minor = cost * (1 - share)
            assert search.near_enough(solution) is enough
