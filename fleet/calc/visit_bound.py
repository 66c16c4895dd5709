"""The bound: shares of visits in place of whole ones, by a linear program, and its prices."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from fleet.calc import visit_columns, visit_solver
from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_columns import ALL_SUBSETS_UP_TO, Columns, Task

Visit = tuple[int, int, int]  # vehicle, day, bits of its services
PRICING_ROUNDS = 8  # our choice


@dataclass(frozen=True)
class Relaxed:
    """The linear program: bound, prices of rows and days, and of services."""

    bound_minor: float
    price: FloatArray  # (R, H)
    service_minor: FloatArray  # (n,) what doing each is worth beside its own cost
    reduced_minor: FloatArray  # (j,) cost of a column less what its services and minutes are worth


def columns_and_bound(task: Task, keep: tuple[Visit, ...]) -> tuple[Columns, Relaxed]:
    """Make the columns and solve their linear program.

    For vehicles with many services, sets of them that would lower it are added until there are
    none.
    """
    cols = visit_columns.columns(task, keep)
    relaxed, service_price = relax(task, cols)
    big = [v for v, services in enumerate(task.services_of) if len(services) > ALL_SUBSETS_UP_TO]
    missing = 0.0
    for _ in range(PRICING_ROUNDS if big else 0):
        more, missing = _better_sets(task, big, relaxed.price, service_price)
        new = tuple(one for one in more if one not in keep)
        if not new:
            break
        keep += new
        cols = visit_columns.columns(task, keep)
        relaxed, service_price = relax(task, cols)
        _, missing = _better_sets(task, big, relaxed.price, service_price)
    if missing < 0:
        relaxed = replace(relaxed, bound_minor=relaxed.bound_minor + missing)
    return cols, relaxed


def _better_sets(
    task: Task, big: Sequence[int], price: FloatArray, service_price: FloatArray
) -> tuple[list[Visit], float]:
    """Give for each vehicle and day the best set by the prices, where it would lower the bound.

    Beside them by how much all of them together could, at most.
    """
    use = np.array([row.use for row in task.rows]).reshape(len(task.rows), len(task.vehicle))
    set_up = np.array([row.set_up for row in task.rows])
    set_up = set_up.reshape(len(task.rows), len(task.visit_minor))
    day_price = _from_day_on(task, price)
    found, missing = [], 0.0
    for vehicle in big:
        services = task.services_of[vehicle]
        worth = (
            service_price[services][:, None]
            - task.cost_minor[services]
            - use[:, services].T @ day_price
        )
        gain = np.maximum(worth, 0.0)
        alone = task.visit_minor[vehicle] + set_up[:, vehicle] @ day_price
        total = gain.sum(axis=0) - np.where(task.joins[vehicle], 0.0, alone)
        for day in np.flatnonzero(total > 1e-6).tolist():
            mask = int(((worth[:, day] > 0) * (1 << np.arange(len(services)))).sum())
            found.append((vehicle, day, mask))
            missing -= float(total[day])
    return found, missing


def _from_day_on(task: Task, price: FloatArray) -> FloatArray:
    """Price of taking from a row on a day: of a part, on all days after it too."""
    lasting = np.array([row.cumulative for row in task.rows], dtype=bool)
    summed = np.cumsum(price[:, ::-1], axis=1)[:, ::-1]
    return np.where(lasting[:, None], summed, price)


def relax(task: Task, cols: Columns, *, lowered: bool = True) -> tuple[Relaxed, FloatArray]:
    """Solve the linear program; give what it says, and what each service may cost (n,)."""
    price = np.zeros((len(task.rows), task.days))
    everything = float(task.leave_out_minor.sum())
    if not len(cols):
        none = np.zeros(len(task.vehicle))
        return Relaxed(everything, price, none, np.zeros(0)), task.leave_out_minor
    matrix, upper, names = rows_of(task, cols, task.capacity, lowered=lowered)
    solved = visit_solver.linear(-cols.saving_minor, matrix, upper)
    reduced = matrix.T @ solved.price - cols.saving_minor
    count = len(task.vehicle)
    price[names[:, 0], names[:, 1]] = solved.price[count : count + len(names)]
    return (
        Relaxed(everything + solved.value, price, solved.price[:count], reduced),
        task.leave_out_minor - solved.price[:count],
    )


def rows_of(
    task: Task, cols: Columns, capacity: FloatArray, *, lowered: bool = True
) -> tuple[sparse.csr_matrix, FloatArray, IntArray]:
    """All rows of the program: each service once, capacities, one visit of a vehicle a day."""
    cover = visit_columns.cover_matrix(task, cols)
    limits, upper, names = visit_columns.capacity_matrix(task, cols, capacity, lowered=lowered)
    single = visit_columns.one_a_day_matrix(cols)
    matrix = sparse.vstack([cover, limits, single], format="csr")
    bounds = np.concatenate((np.ones(cover.shape[0]), upper, np.ones(single.shape[0])))
    return matrix, bounds, names
