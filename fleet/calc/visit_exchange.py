"""Two visits change their days wherever that is cheaper and both still fit, counted work too.

Moves put vehicles back one at a time, and so pass over what only two together can do: a long visit
that waits for its day behind a short one that could wait.
"""

from collections.abc import Callable, Iterator

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_solution import SLACK, Solution

SWEEPS = 4  # over all pairs, while one of them was better; our choice
TRIES = 400  # pairs in a sweep, those that would save most first; our choice
LEAST_MINOR = 0.5  # that is worth it


def exchange(solution: Solution, late: Callable[[], bool]) -> None:
    """Make all exchanges that are cheaper."""
    for _ in range(SWEEPS):
        if late() or not _swept(solution):
            return


def _swept(solution: Solution) -> bool:
    """Try each pair once; tell whether one of them is better now."""
    old = np.array(solution.all_columns, dtype=np.int64)
    instead, saving = _elsewhere(solution, old)
    changed: set[int] = set()
    for one, other in _pairs(solution, old, saving):
        vehicles = {int(solution.cols.vehicle[old[at]]) for at in (one, other)}
        if changed.isdisjoint(vehicles) and _exchanged(solution, {
            int(old[one]): int(instead[one, solution.cols.day[old[other]]]),
            int(old[other]): int(instead[other, solution.cols.day[old[one]]]),
        }):  # fmt: skip
            changed |= vehicles
    return bool(changed)


def _elsewhere(solution: Solution, old: IntArray) -> tuple[IntArray, FloatArray]:
    """Give the column of each visit on each day, and what it saves, (k, H); −inf: there is none."""
    cols = solution.cols
    instead = np.full((len(old), solution.task.days), -1, dtype=np.int64)
    saving = np.full(instead.shape, -np.inf)
    for at, column in enumerate(old.tolist()):
        first, end = cols.first[cols.vehicle[column]], cols.first[cols.vehicle[column] + 1]
        same = first + np.flatnonzero(cols.mask[first:end] == cols.mask[column])
        instead[at, cols.day[same]] = same
        saving[at, cols.day[same]] = cols.saving_minor[same]
    return instead, saving


def _pairs(solution: Solution, old: IntArray, saving: FloatArray) -> Iterator[tuple[int, int]]:
    """Pairs of visits that would be cheaper on each other's days, and fit by their minutes."""
    if not len(old):
        return
    cols, day = solution.cols, solution.cols.day[old]
    there = saving[:, day]  # (k, k): what each saves on the day of the other
    gain = there + there.T - np.diag(there)[:, None] - np.diag(there)[None, :]
    gain[np.tril_indices(len(old))] = -np.inf
    better = np.argsort(-gain, axis=None, kind="stable")[:TRIES]
    for one, other in zip(*np.unravel_index(better, gain.shape), strict=True):
        if not gain[one, other] > LEAST_MINOR:
            return
        apart = cols.vehicle[old[one]] != cols.vehicle[old[other]]
        if apart and day[one] != day[other]:
            yield int(one), int(other)


def _exchanged(solution: Solution, new_of: dict[int, int]) -> bool:
    """Put columns in the place of others, of two vehicles; as it was where that does not fit."""
    cols = solution.cols
    vehicles = [int(cols.vehicle[column]) for column in new_of]
    daily = ~solution.cumulative
    for number, new in enumerate(new_of.values()):
        goes = [*new_of][1 - number]
        room = solution.left[:, cols.day[new]] + cols.use[goes]
        if (cols.use[new] > room + SLACK)[daily].any():
            return False
    before = {vehicle: solution.drop(vehicle) for vehicle in vehicles}
    for vehicle, columns in before.items():
        if solution.take(vehicle, sorted(new_of.get(one, one) for one in columns)) is not None:
            for each in vehicles:
                solution.drop(each)
            for each, had in before.items():
                if solution.take(each, had) is not None:
                    raise ArithmeticError("a plan that held does not hold any more")
            return False
    return True
