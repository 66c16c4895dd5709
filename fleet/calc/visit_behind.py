"""What keeps a late visit from the place of one before it: what it lacks there, or the cost."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_plan import Found, left_of

NOTHING, WHOLE = "", "whole"
Come = tuple[int, int, IntArray]  # vehicle, day, services


@dataclass(frozen=True)
class Behind:
    """A visit that comes in before a late one, as if the two changed their days.

    Parameters
    ----------
    vehicle, day
        Which comes in before, and when.
    more_minor
        What the plan would cost more [minor units].
    lacks
        Kind of the row of which there is too little for the late one even then; ``WHOLE``: its
        minutes in one piece; or ``NOTHING``.
    name
        Of the row, for people.
    asked, there
        How much the late one asks for, and how much is there without the other, in the row's unit.
    """

    vehicle: int
    day: int
    more_minor: float
    lacks: str = NOTHING
    name: str = ""
    asked: float = 0.0
    there: float = 0.0


def behind(task: Task, found: Found, services: IntArray) -> dict[int, Behind]:
    """
    Tell of each of some planned services behind which visit it comes, that would save most.

    That is the exchange of days that would be the cheapest: where it would save, what is lacking
    for it is told; where it would not, what it would cost. Of services with no visit before them
    nothing is told.
    """
    looking = _Looking(task, found)
    told = {int(one): looking.best(int(one)) for one in services}
    return {service: one for service, one in told.items() if one is not None}


class _Looking:
    def __init__(self, task: Task, found: Found) -> None:
        self.task, self.left = task, left_of(task, found)
        self.come: list[Come] = []
        for vehicle, day, mask in found.visits:
            of = task.services_of[vehicle]
            self.come.append((vehicle, day, of[(mask >> np.arange(len(of)) & 1).astype(bool)]))

    def best(self, service: int) -> Behind | None:
        late = next(one for one in self.come if service in one[2])
        pairs = list(self._before(late))
        if not pairs:
            return None
        more_minor, other = min(pairs, key=lambda one: (one[0], one[1][1], one[1][0]))
        return self._told(late, other, more_minor)

    def _before(self, late: Come) -> Iterator[tuple[float, Come]]:
        """Visits on days before, each with what the exchange would cost more."""
        vehicle, day, _ = late
        for other in self.come:
            both = [vehicle, other[0]], [[day], [other[1]]]
            if other[1] >= day or other[0] == vehicle or self.task.joins[both].any():
                continue  # what joins a visit that stands does not come in by itself
            now = self._cost(late, day) + self._cost(other, other[1])
            then = self._cost(late, other[1]) + self._cost(other, day)
            if np.isfinite(then):
                yield then - now, other

    def _cost(self, one: Come, day: int) -> float:
        return float(self.task.cost_minor[one[2], day].sum())

    def _told(self, late: Come, other: Come, more_minor: float) -> Behind:
        vehicle, day, _ = other
        there = self.left[:, day] + self._use(other)
        for row, asked, left in zip(self.task.rows, self._use(late), there, strict=True):
            if asked > left + 1e-9:
                return Behind(vehicle, day, more_minor, row.kind, row.name, asked, left)
        crew = self.task.crew
        if crew is None or self._whole(late, other):
            return Behind(vehicle, day, more_minor)
        asked = crew.minutes(late[0], late[2].tolist(), False)[0]
        return Behind(vehicle, day, more_minor, WHOLE, asked=asked)

    def _use(self, one: Come) -> FloatArray:
        vehicle, _, services = one
        wait_min = self.task.wait_min[services].max(initial=0.0)
        rows = self.task.rows
        used = [
            one.use[services].sum() + one.set_up[vehicle] + wait_min * one.waits for one in rows
        ]
        return np.array(used, dtype=np.float64)

    def _whole(self, comes: Come, goes: Come) -> bool:
        """Whether the day of one can be shared out whole with another in its place."""
        crew, day = self.task.crew, goes[1]
        inside = [one for one in self.come if one[1] == day and one[0] != goes[0]]
        visits = [(v, of.tolist(), bool(self.task.joins[v, day])) for v, _, of in [*inside, comes]]
        return crew is None or crew.share_day(day, sorted(visits)) is not None
