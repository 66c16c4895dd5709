"""Two visits change their days where that is cheaper; where they do not fit all is as it was."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc import visit_columns
from fleet.calc.visit_columns import Task
from fleet.calc.visit_effort import never
from fleet.calc.visit_exchange import exchange
from fleet.calc.visit_plan import Found, left_of
from fleet.calc.visit_rows import Row
from fleet.calc.visit_solution import Solution
from fleet.calc.whole_jobs import Crew
from tests.calc import visit_cases as cases


def two(cost: list[list[float]], work_min: tuple[float, float], days_min: list[float]) -> Task:
    """Two vehicles with a service each; no set-up, visits cost nothing."""
    return Task(
        vehicle=np.array([0, 1]),
        cost_minor=np.array(cost),
        leave_out_minor=np.array([5_000.0, 5_000.0]),
        wait_min=np.zeros(2),
        visit_minor=np.zeros(2),
        rows=(Row("mechanics", "mechanics", np.array(days_min), np.array(work_min), np.zeros(2)),),
        joins=np.zeros((2, len(days_min)), dtype=bool),
    )


def on_days(task: Task, *days: int) -> Solution:
    """The visit of each vehicle on its day."""
    solution = Solution(task, visit_columns.columns(task))
    for vehicle, day in enumerate(days):
        here = (solution.cols.vehicle == vehicle) & (solution.cols.day == day)
        assert solution.take(vehicle, np.flatnonzero(here).tolist()) is None
    return solution


def days_of(solution: Solution) -> list[int]:
    return [int(solution.cols.day[column]) for column in solution.all_columns]


def test_a_late_one_comes_in_where_another_could_wait() -> None:
    """By hand: 0 + 20 instead of 100 + 10; either day holds either, neither day both."""
    task = two([[0, 100], [10, 20]], (60, 50), [60, 60])
    solution = on_days(task, 1, 0)
    exchange(solution, never)
    assert days_of(solution) == [0, 1]
    assert solution.saving_minor == 10_000 - 20
    assert solution.left.tolist() == [[0, 10]]


@pytest.mark.parametrize(
    "task",
    [
        two([[0, 10], [10, 20]], (60, 60), [60, 60]),  # costs the same either way
        two([[0, 100], [10, 20]], (60, 50), [50, 60]),  # the first day is too short for it
        two([[0, 100], [10, 6_000]], (60, 60), [60, 60]),  # dearer than leaving it out
    ],
)
def test_what_is_no_cheaper_or_does_not_fit_stays(task: Task) -> None:
    solution = on_days(task, 1, 0)
    left = solution.left.copy()
    exchange(solution, never)
    assert days_of(solution) == [1, 0]
    assert (solution.left == left).all()


def test_a_day_that_cannot_be_shared_out_whole_puts_both_back() -> None:
    """The second day has 60 minutes, of two mechanics who are there 30 each: no 40 in one piece."""
    task = two([[0, 100], [10, 20]], (30, 40), [60, 60])
    crew = Crew(
        bay_min=np.full((1, 2), 480.0), bay_fits=np.ones((2, 1), bool),
        mechanic_min=np.array([[60.0, 30], [0, 30]]), skills=np.zeros(2, np.int64),
        need=np.zeros(2, np.int64), work_min=np.array([30.0, 40]), second_min=np.zeros(2),
        wait_min=np.zeros(2), set_up_min=np.zeros(2), committed=((), ()),
    )  # fmt: skip
    whole = replace(task, crew=crew)
    cols = visit_columns.columns(task)  # as if each had been looked at by its minutes only
    solution = Solution(whole, cols)
    for vehicle, day in ((0, 1), (1, 0)):
        here = np.flatnonzero((cols.vehicle == vehicle) & (cols.day == day))
        assert solution.take(vehicle, here.tolist()) is None
    exchange(solution, never)
    assert days_of(solution) == [1, 0]
    assert solution.left.tolist() == [[20, 30]]


def test_the_safety_clock_ends_it() -> None:
    solution = on_days(two([[0, 100], [10, 20]], (60, 60), [60, 60]), 1, 0)
    exchange(solution, lambda: True)
    assert days_of(solution) == [1, 0]


def saves(task: Task, vehicle: int, day: int, mask: int) -> float:
    """What a visit saves against leaving its services out; −inf where that is cheaper for one."""
    of = task.services_of[vehicle]
    services = of[(mask >> np.arange(len(of)) & 1).astype(bool)]
    saved = task.leave_out_minor[services] - task.cost_minor[services, day]
    return float(saved.sum() - task.visit_minor[vehicle]) if (saved >= 0).all() else -np.inf


def cheaper_pairs(task: Task, found: Found) -> list[tuple[int, int]]:
    """Found apart from the program: whether any two visits would be cheaper on each other's day
    and leave every row enough, by counting the whole plan anew."""
    better = []
    for one in range(len(found.visits)):
        for other in range(one):
            visits = list(found.visits)
            (v, a, mask), (w, b, bits) = visits[one], visits[other]
            days = {(vehicle, day) for vehicle, day, _ in visits}
            if v == w or a == b or {(v, b), (w, a)} & days:
                continue
            visits[one], visits[other] = (v, b, mask), (w, a, bits)
            day = np.full(len(task.vehicle), -1)
            for vehicle, on, held in visits:
                of = task.services_of[vehicle]
                day[of[(held >> np.arange(len(of)) & 1).astype(bool)]] = on
            done = np.flatnonzero(day >= 0)
            cost = task.cost_minor[done, day[done]].sum()
            was = task.cost_minor[done, found.day[done]].sum()
            worth = all(saves(task, *visits[at]) > 0 for at in (one, other))
            moved = replace(found, visits=tuple(visits), day=day)
            if cost < was - 0.5 and worth and (left_of(task, moved) >= -1e-9).all():
                better.append((one, other))
    return better


def as_found(task: Task, solution: Solution) -> Found:
    cols = solution.cols
    day, visits = np.full(len(task.vehicle), -1), []
    for column in solution.all_columns:
        day[solution.services(column)] = cols.day[column]
        visits.append((int(cols.vehicle[column]), int(cols.day[column]), int(cols.mask[column])))
    return Found(tuple(visits), day, 0.0, 0.0, 0.0, np.zeros(task.capacity.shape))


def test_no_exchange_is_left_that_would_be_cheaper_and_fit() -> None:
    """Plans made at random, vehicle by vehicle: each takes any of its visits that has room."""
    before = after = 0
    for seed in range(40):
        task, random = cases.small(seed, vehicles=7, days=6), np.random.default_rng(seed)
        solution = Solution(task, visit_columns.columns(task))
        for vehicle in random.permutation(7).tolist():
            solution.place_best(vehicle, random.random(len(solution.cols)))
        before += len(cheaper_pairs(task, as_found(task, solution)))
        exchange(solution, never)
        after += len(cheaper_pairs(task, as_found(task, solution)))
        assert (left_of(task, as_found(task, solution)) >= -1e-9).all()
    assert (before > 10, after) == (True, 0)
