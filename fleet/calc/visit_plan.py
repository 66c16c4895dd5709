"""Plan the visits of one depot: bound by a linear program, construct, improve by counted work.

A solver left alone with the integer program is still far off after seconds. So a plan is built
first, vehicle by vehicle, at the prices that the linear program puts on scarce minutes; then some
vehicles at a time are taken out and put back better, by search and by small integer programs.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_bound import Visit, columns_and_bound
from fleet.calc.visit_columns import Task
from fleet.calc.visit_effort import Effort, never
from fleet.calc.visit_exchange import exchange
from fleet.calc.visit_search import Search
from fleet.calc.visit_solution import Solution


@dataclass(frozen=True)
class Found:
    """A plan.

    Parameters
    ----------
    visits
        Vehicle, day and bits of services of each, by vehicle and day.
    day : (n,)
        Day of each service; −1 left out.
    cost_minor
        Of visits, services and what was left out [minor units].
    linear_minor
        Bound by the linear program [minor units].
    bound_minor
        Below which no plan lies, as far as was proved [minor units].
    price : (R, H)
        About what one more of each row would save on each day [minor units].
    """

    visits: tuple[Visit, ...]
    day: IntArray
    cost_minor: float
    linear_minor: float
    bound_minor: float
    price: FloatArray

    @property
    def gap(self) -> float:
        """Share of the cost by which a better plan could be cheaper, at most."""
        if self.cost_minor <= 0:
            return 0.0
        return max(0.0, (self.cost_minor - self.bound_minor) / self.cost_minor)


def plan(
    task: Task,
    start: Sequence[Visit] = (),
    effort: Effort | None = None,
    late: Callable[[], bool] = never,
) -> Found:
    """
    Plan the visits.

    Parameters
    ----------
    task
        What is to be planned.
    start
        The plan before, kept where it is not beaten.
    effort
        How much work to spend.
    late
        A safety clock: when it says so the best plan so far is given.
    """
    effort = effort or Effort()
    cols, relaxed = columns_and_bound(task, tuple(start))
    everything = float(task.leave_out_minor.sum())
    search = Search(task, cols, relaxed, effort, late)
    best = search.best_of([search.constructed(), search.from_start(start)])
    best = search.improved(search.by_days(best))
    exchange(best, late)
    return Found(
        visits=tuple(
            (int(cols.vehicle[j]), int(cols.day[j]), int(cols.mask[j])) for j in best.all_columns
        ),
        day=_days(task, best),
        cost_minor=everything - best.saving_minor,
        linear_minor=relaxed.bound_minor,
        bound_minor=min(search.bound_minor, everything - best.saving_minor),
        price=relaxed.price,
    )


def _days(task: Task, solution: Solution) -> IntArray:
    day = np.full(len(task.vehicle), -1, dtype=np.int64)
    for column in solution.all_columns:
        day[solution.services(column)] = solution.cols.day[column]
    return day


def left_of(task: Task, found: Found) -> FloatArray:
    """Reckon what a plan leaves of each row on each day, (R, H); of a part, what may be taken."""
    left = task.capacity.copy()
    services_of = task.services_of
    for vehicle, day, mask in found.visits:
        of = services_of[vehicle]
        services = of[(mask >> np.arange(len(of)) & 1).astype(bool)]
        for number, row in enumerate(task.rows):
            used = row.use[services].sum() + row.set_up[vehicle] * (not task.joins[vehicle, day])
            used += task.wait_min[services].max(initial=0.0) * row.waits
            left[number, day : None if row.cumulative else day + 1] -= used
    for number, row in enumerate(task.rows):
        if row.cumulative:
            left[number] = np.minimum.accumulate(left[number][::-1])[::-1]
    return left
