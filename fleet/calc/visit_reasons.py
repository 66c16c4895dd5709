"""Why a service is planned on its day and not on the one it wants, or is left out."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from fleet.calc.arrays import BoolArray, FloatArray
from fleet.calc.visit_columns import Task
from fleet.calc.visit_plan import Found, left_of


class Reason(StrEnum):
    """The cause on most days from the one wanted on; of as many the first."""

    ON_TIME = "on time"
    CLOSED = "closed"
    AWAY = "vehicle away"
    SPARED = "vehicles to spare"
    SKILL = "skill"
    BAY = "bay"
    PART = "part"
    TIME = "time"
    NOT_WHOLE = "does not fit whole"
    SHARED = "cheaper on a shared visit"
    LEFT_OUT = "left out"


OF_ROW = {
    "mechanics": Reason.TIME,
    "bays": Reason.TIME,
    "skill": Reason.SKILL,
    "bay": Reason.BAY,
    "vehicles": Reason.SPARED,
    "part": Reason.PART,
}


@dataclass(frozen=True)
class Around:
    """What the costs of a task no longer tell apart.

    Parameters
    ----------
    wanted_minor : (n, H)
        Cost of each service by day before days were taken away; inf before its early window.
    closed : (H,)
        Days without a workshop.
    away : (v, H)
        Days a vehicle cannot come.
    """

    wanted_minor: FloatArray
    closed: BoolArray
    away: BoolArray


def reasons(task: Task, found: Found, around: Around) -> list[Reason]:
    """Give the reason of each service, (n,)."""
    told = _Telling(task, found, around)
    return [told.reason(service) for service in range(len(task.vehicle))]


class _Telling:
    def __init__(self, task: Task, found: Found, around: Around) -> None:
        self.task, self.found, self.around = task, found, around
        self.services_of = task.services_of
        self.comes = np.zeros((len(task.visit_minor), task.days), dtype=bool) | task.joins
        self.on_day: list[dict[int, list[int]]] = [{} for _ in range(task.days)]
        for service, day in enumerate(found.day.tolist()):
            if day >= 0:
                vehicle = int(task.vehicle[service])
                self.comes[vehicle, day] = True
                self.on_day[day].setdefault(vehicle, []).append(service)
        self.left = left_of(task, found)

    def reason(self, service: int) -> Reason:
        planned, cost = int(self.found.day[service]), self.around.wanted_minor[service]
        wanted = int(np.argmin(cost))
        if planned >= 0 and cost[planned] <= cost[wanted]:
            return Reason.ON_TIME
        causes: list[Reason] = []
        for day in self._days_between(wanted, planned):
            cause = self._cause(service, day)
            if cause is None:
                return Reason.SHARED if planned >= 0 else Reason.LEFT_OUT
            causes.append(cause)
        named: list[Reason] = [one for one in causes if one != Reason.CLOSED] or causes
        return max(named, key=named.count)  # of as many the first

    def _days_between(self, wanted: int, planned: int) -> list[int]:
        if planned < 0:
            return list(range(wanted, self.task.days))
        step = 1 if planned > wanted else -1
        return list(range(wanted, planned, step))

    def _cause(self, service: int, day: int) -> Reason | None:
        vehicle = int(self.task.vehicle[service])
        if self.around.closed[day]:
            return Reason.CLOSED
        if self.around.away[vehicle, day]:
            return Reason.AWAY
        alone = not self.comes[vehicle, day]
        for number, row in enumerate(self.task.rows):
            asked = row.use[service] + row.set_up[vehicle] * alone
            asked += self.task.wait_min[service] * row.waits
            if asked > self.left[number, day] + 1e-9:
                return OF_ROW[row.kind]
        return None if self._works_out(service, vehicle, day) else Reason.NOT_WHOLE

    def _works_out(self, service: int, vehicle: int, day: int) -> bool:
        crew = self.task.crew
        if crew is None:
            return True
        visits = {**self.on_day[day]}
        visits[vehicle] = [*visits.get(vehicle, []), service]
        joins = self.task.joins[:, day]
        return (
            crew.share_day(
                day, [(v, services, bool(joins[v])) for v, services in sorted(visits.items())]
            )
            is not None
        )
