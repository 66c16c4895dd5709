"""What keeps a late visit from the place of one before it, counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.visit_behind import NOTHING, WHOLE, Behind, behind
from fleet.calc.visit_columns import Task
from fleet.calc.visit_plan import Found
from fleet.calc.visit_rows import Row
from fleet.calc.whole_jobs import Crew
from tests.calc.test_visit_exchange import two

URGENT_LATE = [[0.0, 100.0], [10.0, 20.0]]  # what each of two costs on days 0 and 1


def told(task: Task, days: tuple[int, ...] = (1, 0), service: int = 0) -> Behind | None:
    """Of a service, where each vehicle comes in on its day."""
    visits = tuple((vehicle, day, 1) for vehicle, day in enumerate(days) if day >= 0)
    shape = task.capacity.shape
    found = Found(visits, np.array(days), 0.0, 0.0, 0.0, np.zeros(shape))
    return behind(task, found, np.array([service])).get(service)


@pytest.mark.parametrize(
    ("work_min", "days_min", "lacks", "asked", "there"),
    [
        ((60, 50), [55, 60], "mechanics", 60, 55),  # all that is there once the other is gone
        ((60, 50), [60, 60], NOTHING, 0, 0),
    ],
)
def test_where_an_exchange_would_save_it_is_told_what_lacks(
    work_min: tuple[float, float], days_min: list[float], lacks: str, asked: float, there: float
) -> None:
    found = told(two(URGENT_LATE, work_min, days_min))
    assert found is not None
    # by hand: 0 + 20 instead of 100 + 10
    assert (found.vehicle, found.day, found.more_minor) == (1, 0, -90)
    assert (found.lacks, found.asked, found.there) == (lacks, asked, there)


def test_what_is_asked_has_the_set_up_of_the_visit_in_it() -> None:
    task = two(URGENT_LATE, (60, 50), [70, 90])
    task.rows[0].set_up[:] = 15, 5
    found = told(task)
    assert found is not None
    # by hand: 60 + 15 asked; of 70 the other visit has 50 + 5, and 15 + 55 are 70
    assert (found.lacks, found.asked, found.there) == ("mechanics", 75, 70)


def test_where_it_would_not_it_is_told_what_it_would_cost() -> None:
    """By hand: 0 + 150 instead of 100 + 10."""
    found = told(two([[0, 100], [10, 150]], (60, 50), [60, 60]))
    assert found == Behind(1, 0, 40.0)


def test_of_several_the_one_that_would_save_most_is_told() -> None:
    task = Task(
        vehicle=np.arange(3),
        cost_minor=np.array([[0.0, 20, 100], [10, 11, 90], [5, 5, 5]]),
        leave_out_minor=np.full(3, 5_000.0), wait_min=np.zeros(3), visit_minor=np.zeros(3),
        rows=(Row("mechanics", "mechanics", np.array([50.0, 30, 60]), np.array([60.0, 50, 30]),
                  np.zeros(3)),),
        joins=np.zeros((3, 3), dtype=bool),
    )  # fmt: skip
    found = told(task, (2, 0, 1))
    assert found is not None
    # by hand: with the second 0 + 90 − 100 − 10 = −20, with the third 20 + 5 − 100 − 5 = −80
    assert (found.vehicle, found.day, found.more_minor) == (2, 1, -80)
    assert (found.asked, found.there) == (60, 30)


def test_minutes_that_are_there_but_not_in_one_piece_are_told() -> None:
    crew = Crew(
        bay_min=np.full((1, 2), 480.0), bay_fits=np.ones((2, 1), bool),
        mechanic_min=np.array([[30.0, 60], [30, 0]]), skills=np.zeros(2, np.int64),
        need=np.zeros(2, np.int64), work_min=np.array([40.0, 20]), second_min=np.zeros(2),
        wait_min=np.zeros(2), set_up_min=np.array([5.0, 0]), committed=((), ()),
    )  # fmt: skip
    found = told(replace(two(URGENT_LATE, (40, 20), [60, 60]), crew=crew))
    assert found is not None
    assert (found.lacks, found.asked) == (WHOLE, 45)  # with its set-up


def test_a_part_that_comes_later_is_told() -> None:
    task = two(URGENT_LATE, (10, 10), [60, 60])
    part = Row("part", "seal", np.array([0.0, 1]), np.array([1.0, 0]), np.zeros(2), cumulative=True)
    found = told(replace(task, rows=(*task.rows, part)))
    assert found is not None
    assert (found.lacks, found.name) == ("part", "seal")


@pytest.mark.parametrize(
    "days",
    [(0, 1), (1, 1), (1, -1)],  # before the other, on its day, and with nobody else planned
)
def test_without_a_visit_before_it_nothing_is_told(days: tuple[int, int]) -> None:
    assert told(two(URGENT_LATE, (10, 10), [60, 60]), days) is None


def test_nothing_is_told_of_a_day_on_which_one_of_them_cannot_come() -> None:
    assert told(two([[np.inf, 100], [10, 20]], (10, 10), [60, 60])) is None
    assert told(two([[0, 100], [10, np.inf]], (10, 10), [60, 60])) is None


@pytest.mark.parametrize("at", [(0, 1), (1, 0), (0, 0), (1, 1)])
def test_what_joins_a_visit_that_stands_changes_no_day(at: tuple[int, int]) -> None:
    task = two(URGENT_LATE, (60, 50), [55, 60])
    task.joins[at] = True
    assert told(task) is None
