"""What would make a plan fit: extra minutes, by a linear program and then by planning anew.

The prices of the linear program are right for a little more of one thing; whole visits move by
more or less than that. So what is told is rounded up to half hours and planned again to see.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from fleet.calc import visit_bound, visit_columns, visit_solver
from fleet.calc.arrays import BoolArray, FloatArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_effort import Effort
from fleet.calc.visit_plan import Found, left_of, plan

MINUTES = ("mechanics", "skill", "bays", "bay")  # rows that more hours would widen
HALF_H_MIN = 30.0
MOST_EXTRA_MIN = 480.0  # on a day; our choice
ROUNDS = 8  # of planning anew; our choice


@dataclass(frozen=True)
class Extra:
    """Minutes on top, and what they bring.

    Parameters
    ----------
    minutes : (R, H)
        On top of each row on each day, in half hours [min].
    found
        The plan with them.
    """

    minutes: FloatArray
    found: Found


def least_minutes(task: Task) -> FloatArray:
    """Find the fewest extra minutes with which shares of visits cover every service, (R, H)."""
    return _extra(task, None)


def worth_buying(task: Task, minor_per_h: float) -> FloatArray:
    """Find about which extra minutes are worth their price per hour, (R, H) [min]."""
    return _extra(task, minor_per_h)


def widened(task: Task, minutes: FloatArray) -> Task:
    """Give the task with more minutes in its rows, (R, H), and as many more with its crew."""
    rows = tuple(
        replace(row, capacity=row.capacity + more)
        for row, more in zip(task.rows, minutes, strict=True)
    )
    crew = task.crew
    if crew is not None and len(minutes):
        more = minutes.max(axis=0)[None, :]
        crew = replace(
            crew,
            mechanic_min=crew.mechanic_min + more * (crew.mechanic_min > 0),
            bay_min=crew.bay_min + more * (crew.bay_min > 0),
        )
    return replace(task, rows=rows, crew=crew)


def to_fit(task: Task, effort: Effort | None = None) -> Extra:
    """Find extra half hours with which nothing is left out that could come at all.

    Raised a few times where whole visits need more than shares do; ``found`` says what is still
    left out then.
    """
    minutes = half_hours(least_minutes(task))
    found = plan(widened(task, minutes), effort=effort)
    for _ in range(ROUNDS):
        out = [s for s in np.flatnonzero(found.day < 0).tolist() if _could_come(task, s)]
        if not out:
            break
        left = left_of(widened(task, minutes), found)
        for service in out:
            day, missing = _least_missing(task, service, left)
            more = HALF_H_MIN * (missing > 0)  # others may move: half an hour, then plan and see
            minutes[:, day] += more
            left[:, day] += more - missing
        found = plan(widened(task, minutes), effort=effort)
    return Extra(minutes, found)


def half_hours(minutes: FloatArray) -> FloatArray:
    """Round up to half hours [min]."""
    return np.ceil(np.round(minutes / HALF_H_MIN, 6)) * HALF_H_MIN


def _could_come(task: Task, service: int) -> bool:
    cheapest = task.cost_minor[service].min()
    vehicle = int(task.vehicle[service])
    return bool(cheapest + task.visit_minor[vehicle] < task.leave_out_minor[service])


def _least_missing(task: Task, service: int, left: FloatArray) -> tuple[int, FloatArray]:
    """Day on which a visit for a service wants the fewest more minutes, and of which rows, (R,)."""
    vehicle = int(task.vehicle[service])
    asked: FloatArray = np.array(
        [(row.use[service] + row.set_up[vehicle]) * (row.kind in MINUTES) for row in task.rows]
    )
    missing = np.maximum(0.0, asked[:, None] - left) * (asked > 0)[:, None]
    dear = task.cost_minor[service]
    total = np.where(np.isfinite(dear), missing.sum(axis=0), np.inf)
    best = int(np.lexsort((dear, total))[0])
    return best, missing[:, best]


def _extra(task: Task, minor_per_h: float | None) -> FloatArray:
    wide = np.array([MOST_EXTRA_MIN * (row.kind in MINUTES) for row in task.rows])
    more = np.multiply.outer(wide, np.isfinite(task.cost_minor).any(axis=0))
    cols = visit_columns.columns(widened(task, more))
    result = np.zeros((len(task.rows), task.days))
    if not len(cols):
        return result
    matrix, upper, names = visit_bound.rows_of(task, cols, task.capacity, lowered=False)
    count = len(task.vehicle)
    at = np.flatnonzero(wide[names[:, 0]] > 0) if len(names) else np.zeros(0, dtype=np.int64)
    extra = sparse.csr_matrix(
        (-np.ones(len(at)), (count + at, np.arange(len(at)))), shape=(matrix.shape[0], len(at))
    )
    lower = np.full(len(upper), -visit_solver.NO_LIMIT)
    if minor_per_h is None:
        coming: BoolArray = np.asarray(matrix[:count].getnnz(axis=1) > 0)
        lower[np.flatnonzero(coming)] = 1.0
        cost = np.concatenate((np.zeros(len(cols)), np.ones(len(at))))
    else:
        cost = np.concatenate((-cols.saving_minor, np.full(len(at), minor_per_h / 60)))
    solved = visit_solver.linear(cost, sparse.hstack([matrix, extra]).tocsr(), upper, lower)
    result[names[at, 0], names[at, 1]] = solved.x[len(cols) :]
    return result
