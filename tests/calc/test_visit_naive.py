"""Usual ways of giving services a day, on the case worked by hand (its costs: visit_cases)."""

import numpy as np
import pytest

from fleet.calc.visit_naive import each_on_its_day, outcome, together
from fleet.calc.visit_plan import plan
from tests.calc import visit_cases as cases

ALL = np.arange(4)  # A-oil, A-brake, B-oil, C-gear


def days(found: np.ndarray) -> list[int]:
    return [int(day) for day in found]


def test_each_goes_on_its_day_and_what_is_due_later_is_left_out() -> None:
    # by hand: of 210 minutes on day 1, A-oil takes 80 with its set-up and A-brake 30 more
    task = cases.case()
    found = each_on_its_day(task, np.array([1.0, 1, 0, 2]), ALL)
    assert days(found) == [1, 1, 0, -1]
    # by hand: 21/2 + 1 + 1, C-gear left out 192, two visits of 50
    came_to = outcome(task, found, ALL)
    assert came_to.cost_minor == pytest.approx(304.5 * cases.CENTS)
    assert (came_to.visits, came_to.done) == (2, 3)


def test_what_is_due_soon_is_done_on_the_first_day_and_a_full_day_sends_on() -> None:
    # by hand: A takes 110 of the 120 minutes of day 0, so B comes on day 1
    task = cases.case()
    found = together(task, np.array([0.0, 1, 0, 2]), ALL)
    assert days(found) == [0, 0, 1, -1]
    assert outcome(task, found, ALL).cost_minor == pytest.approx(316 * cases.CENTS)


def test_what_lies_behind_is_wanted_at_once() -> None:
    found = each_on_its_day(cases.case(), np.array([-9.0, 1, 1, 1]), ALL)
    assert days(found)[0] == 0


def test_nothing_is_done_without_leave_or_without_minutes() -> None:
    # by hand: no skilled minutes on day 0, 90 on day 1
    found = each_on_its_day(cases.case(), np.zeros(4), np.array([3]))
    assert days(found) == [-1, -1, -1, 1]
    found = each_on_its_day(cases.case(skilled_min=(0, 80)), np.zeros(4), np.array([3]))
    assert days(found) == [-1, -1, -1, -1]


def test_what_is_not_counted_costs_nothing() -> None:
    task = cases.case()
    nothing = outcome(task, np.full(4, -1), np.array([], dtype=int))
    assert (nothing.cost_minor, nothing.visits, nothing.done) == (0, 0, 0)


@pytest.mark.parametrize("seed", range(6))
def test_no_usual_way_is_cheaper_than_what_is_proved(seed: int) -> None:
    task = cases.small(seed)
    count = np.arange(len(task.vehicle))
    wanted = np.argmin(task.cost_minor, axis=1).astype(float)
    bound = plan(task).bound_minor
    for way in (each_on_its_day, together):
        # parts are not kept for later here, so a way may use more of them than there are
        free = cases.small(seed)
        rows = tuple(row for row in free.rows if not row.cumulative)
        without = type(free)(**{**vars_of(free), "rows": rows})
        assert (
            outcome(without, way(without, wanted, count), count).cost_minor
            >= plan(without).bound_minor - 1
        )
    assert bound >= 0


def vars_of(task: object) -> dict[str, object]:
    names = ("vehicle", "cost_minor", "leave_out_minor", "wait_min", "visit_minor", "joins", "crew")
    return {name: getattr(task, name) for name in names}
