"""The plan beside two usual ways of giving services a day, by the same costs."""

from dataclasses import asdict, dataclass

import numpy as np

from fleet.calc import visit_naive
from fleet.calc.arrays import Array
from fleet.visits.gather import Gathered
from fleet.visits.task import Made

PLANNED, EACH, TOGETHER = "this plan", "each on its day", "together within 30 days"


@dataclass(frozen=True)
class Way:
    """One way of giving services a day. Rounds, and visits that stand, are in none of them."""

    way: str
    cost_minor: int
    visits: int
    left_out: int
    late_d: float  # expected, of all services [d]


def came_to(made: Made, day: Array) -> visit_naive.Outcome:
    """What days for the services of a task come to; rounds are no part of it, nor is the price of
    moves."""
    return visit_naive.outcome(made.plain, day, np.flatnonzero(~made.rounds))


def compare(found: Gathered, made: Made, day: Array) -> list[dict[str, object]]:
    """Reckon what the plan and the usual ways come to."""
    counted = np.flatnonzero(~made.rounds)
    due_d = np.array([one.due_d for one in found.wanted], dtype=float)
    ways = {
        PLANNED: day,
        EACH: visit_naive.each_on_its_day(made.plain, due_d, counted),
        TOGETHER: visit_naive.together(made.plain, due_d, counted),
    }
    return [asdict(_way(name, made, on, counted)) for name, on in ways.items()]


def _way(name: str, made: Made, day: Array, counted: Array) -> Way:
    outcome = came_to(made, day)
    return Way(
        way=name,
        cost_minor=round(outcome.cost_minor),
        visits=outcome.visits,
        left_out=len(counted) - outcome.done,
        late_d=round(float(made.costs.late_d[counted, day[counted]].sum()), 1),
    )
