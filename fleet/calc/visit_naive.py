"""What planning without arithmetic comes to: usual ways of giving services a day, to compare with.

Both take services in the order of the day they want, each on the first day from there on that has
minutes left. Whole jobs are not looked at, which is in their favour.
"""

from dataclasses import dataclass

import numpy as np

from fleet.calc.arrays import FloatArray, IntArray
from fleet.calc.visit_columns import Task

TOGETHER_D = 30  # what falls due within so many days of a visit is done with it; our choice


@dataclass(frozen=True)
class Outcome:
    """What days for services come to.

    Parameters
    ----------
    cost_minor
        Of services, visits and what was left out [minor units].
    visits
        How many, without those that come in anyway.
    done
        Services that have a day.
    """

    cost_minor: float
    visits: int
    done: int


def outcome(task: Task, day: IntArray, counted: IntArray) -> Outcome:
    """
    Reckon what days come to.

    Parameters
    ----------
    task
        What was planned.
    day : (n,)
        Day of each service; −1 left out.
    counted : (k,)
        Services that are looked at; what is not is neither paid for nor a reason to come.
    """
    planned = counted[day[counted] >= 0]
    out = counted[day[counted] < 0]
    comes = {(int(task.vehicle[s]), int(day[s])) for s in planned}
    paid = [task.visit_minor[v] for v, on in comes if not task.joins[v, on]]
    cost = task.cost_minor[planned, day[planned]].sum() + task.leave_out_minor[out].sum()
    return Outcome(float(cost + sum(paid)), len(paid), len(planned))


def each_on_its_day(task: Task, due_d: FloatArray, counted: IntArray) -> IntArray:
    """
    Give each service its expected day, or the first after it with room; −1 beyond the plan, (n,).

    Parameters
    ----------
    due_d : (n,)
        Expected day of each service [d].
    """
    return _first_with_room(task, np.maximum(0.0, due_d), counted)


def together(task: Task, due_d: FloatArray, counted: IntArray) -> IntArray:
    """Bring a vehicle in when its first service is due, and do all then that is due soon, (n,)."""
    wanted = np.maximum(0.0, due_d)
    day = wanted.copy()
    first_d = np.argmax(np.isfinite(task.cost_minor), axis=1)  # its early window begins
    for vehicle in np.unique(task.vehicle[counted]):
        rest = counted[task.vehicle[counted] == vehicle]
        rest = rest[np.argsort(wanted[rest], kind="stable")]
        while len(rest):
            on = wanted[rest[0]]
            soon = rest[wanted[rest] <= on + TOGETHER_D]
            group = soon[(first_d[soon] <= on) | (soon == rest[0])]
            day[group] = on
            rest = rest[~np.isin(rest, group)]
    return _first_with_room(task, day, counted)


def _first_with_room(task: Task, wanted_d: FloatArray, counted: IntArray) -> IntArray:
    left = task.capacity.copy()
    daily = np.array([not row.cumulative for row in task.rows], dtype=bool)
    day = np.full(len(task.vehicle), -1, dtype=np.int64)
    comes = task.joins.copy()
    use = np.array([row.use for row in task.rows]).reshape(len(task.rows), len(task.vehicle))
    set_up = np.array([row.set_up for row in task.rows]).reshape(len(task.rows), -1)
    for service in counted[np.argsort(wanted_d[counted], kind="stable")].tolist():
        vehicle = int(task.vehicle[service])
        for on in range(int(min(wanted_d[service], task.days)), task.days):
            taken = use[:, service] + set_up[:, vehicle] * (not comes[vehicle, on])
            fits = (taken <= left[:, on] + 1e-9)[daily].all()
            if fits and np.isfinite(task.cost_minor[service, on]):
                left[:, on] -= taken
                day[service] = on
                comes[vehicle, on] = True
                break
    return day
