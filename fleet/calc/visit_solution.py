"""A plan in the making: which visits are chosen, what is left of each row, who else fits in."""

from collections.abc import Sequence

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray, IntArray
from fleet.calc.visit_columns import Columns, Task

MOST_BANS = 12  # visits of one vehicle that a day refuses before it is left as it is; our choice
SLACK = 1e-9


class Solution:
    """Visits chosen so far, at most one of a vehicle on a day, all within the rows and the crew."""

    def __init__(self, task: Task, cols: Columns) -> None:
        self.task, self.cols = task, cols
        self.left = task.capacity.copy()
        self.cumulative = np.array([row.cumulative for row in task.rows], dtype=bool)
        self.room = self.left.copy()
        self.services_of = task.services_of
        self.chosen: dict[int, tuple[int, ...]] = {}
        self.on_day: list[dict[int, int]] = [{} for _ in range(task.days)]
        self.comes = np.zeros((len(task.visit_minor), task.days), dtype=bool)
        self.saved_minor = np.zeros(len(task.visit_minor))  # by the visits of each vehicle
        self._refresh_room()

    @property
    def saving_minor(self) -> float:
        """What the plan saves against doing nothing [minor units]."""
        return float(self.saved_minor.sum())

    @property
    def all_columns(self) -> list[int]:
        """Columns chosen, by vehicle and day."""
        return [j for vehicle in sorted(self.chosen) for j in self.chosen[vehicle]]

    def _refresh_room(self) -> None:
        for number in np.flatnonzero(self.cumulative):
            self.room[number] = np.minimum.accumulate(self.left[number][::-1])[::-1]

    def _occupy(self, column: int, sign: float) -> None:
        day, use = int(self.cols.day[column]), self.cols.use[column]
        daily = ~self.cumulative
        self.left[daily, day] -= sign * use[daily]
        self.room[daily, day] = self.left[daily, day]
        if self.cumulative.any() and use[self.cumulative].any():
            self.left[self.cumulative, day:] -= sign * use[self.cumulative][:, None]
            self._refresh_room()

    def fits(self, vehicle: int) -> BoolArray:
        """Which columns of a vehicle the rows have room for, among its columns."""
        here = slice(self.cols.first[vehicle], self.cols.first[vehicle + 1])
        inside = self.cols.use[here] <= self.room[:, self.cols.day[here]].T + SLACK
        return np.asarray(inside.all(axis=1))

    def services(self, column: int) -> IntArray:
        """Services of a column."""
        of = self.services_of[int(self.cols.vehicle[column])]
        return np.asarray(of[(int(self.cols.mask[column]) >> np.arange(len(of)) & 1).astype(bool)])

    def take(self, vehicle: int, columns: Sequence[int]) -> int | None:
        """Put visits of a vehicle in; the first that does not fit is told and nothing is done."""
        done: list[int] = []
        for column in columns:
            day = int(self.cols.day[column])
            room = self.cols.use[column] <= self.room[:, day] + SLACK
            if not room.all() or vehicle in self.on_day[day] or not self._shared_out(column):
                for taken in done:
                    self._occupy(taken, -1.0)
                    del self.on_day[int(self.cols.day[taken])][vehicle]
                return column
            self._occupy(column, 1.0)
            self.on_day[day][vehicle] = column
            done.append(column)
        if done:
            self.chosen[vehicle] = tuple(done)
            self.comes[vehicle, self.cols.day[done]] = True
            self.saved_minor[vehicle] = self.cols.saving_minor[done].sum()
        return None

    def drop(self, vehicle: int) -> tuple[int, ...]:
        """Take the visits of a vehicle out, and say which they were."""
        columns = self.chosen.pop(vehicle, ())
        for column in columns:
            self._occupy(column, -1.0)
            del self.on_day[int(self.cols.day[column])][vehicle]
        self.comes[vehicle] = False
        self.saved_minor[vehicle] = 0.0
        return columns

    def visits(self, day: int) -> list[tuple[int, list[int], bool]]:
        """Vehicle, services and whether it joins, for each visit of a day."""
        return [
            (vehicle, self.services(column).tolist(), bool(self.task.joins[vehicle, day]))
            for vehicle, column in sorted(self.on_day[day].items())
        ]

    def _shared_out(self, column: int) -> bool:
        crew, day = self.task.crew, int(self.cols.day[column])
        if crew is None:
            return True
        vehicle = int(self.cols.vehicle[column])
        one = (vehicle, self.services(column).tolist(), bool(self.task.joins[vehicle, day]))
        return crew.share_day(day, [*self.visits(day), one]) is not None

    def place_best(self, vehicle: int, saving: FloatArray) -> bool:
        """Give a vehicle the visits that save most as reckoned and fit; tell if it got any."""
        first = int(self.cols.first[vehicle])
        open_to = self.fits(vehicle)
        for _ in range(MOST_BANS):
            picked = best_sets(self.cols, vehicle, saving, open_to)
            refused = self.take(vehicle, picked)
            if refused is None:
                return bool(picked)
            open_to[refused - first] = False
        return False


def best_sets(cols: Columns, vehicle: int, saving: FloatArray, open_to: BoolArray) -> list[int]:
    """
    Visits of one vehicle that together save most, no service twice, exact by subsets.

    Parameters
    ----------
    saving : (j,)
        Of every column [minor units].
    open_to
        Which of the vehicle's columns may be taken.
    """
    first, end = int(cols.first[vehicle]), int(cols.first[vehicle + 1])
    here = first + np.flatnonzero(open_to & (saving[first:end] > 0))
    by_mask: dict[int, int] = {}
    for column in here[np.argsort(-saving[here], kind="stable")].tolist():
        by_mask.setdefault(int(cols.mask[column]), column)
    if not by_mask:
        return []
    return _disjoint(list(by_mask.items()), saving)


def _disjoint(options: list[tuple[int, int]], saving: FloatArray) -> list[int]:
    """Options (bits, column) that share no bit and save most."""
    by_low: dict[int, list[tuple[int, int]]] = {}
    for mask, column in options:
        by_low.setdefault(mask & -mask, []).append((mask, column))
    known: dict[int, tuple[float, tuple[int, ...]]] = {0: (0.0, ())}

    def best(rest: int) -> tuple[float, tuple[int, ...]]:
        if rest not in known:
            low = rest & -rest
            found = best(rest ^ low)
            for mask, column in by_low.get(low, ()):
                if mask & rest == mask:
                    saved, others = best(rest ^ mask)
                    if saved + saving[column] > found[0] + SLACK:
                        found = saved + float(saving[column]), (column, *others)
            known[rest] = found
        return known[rest]

    return sorted(best(_union(options))[1])


def _union(options: list[tuple[int, int]]) -> int:
    every = 0
    for mask, _ in options:
        every |= mask
    return every
