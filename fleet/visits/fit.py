"""What would make a depot's plan fit: extra minutes on which days, tried by planning with them.

Nothing is stored. The minutes are about right: found for shares of visits, rounded up to half
hours, and raised where whole visits need more.
"""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.calc import visit_extra
from fleet.calc.visit_effort import Effort
from fleet.vehicles.models import Depot
from fleet.visits.gather import gather
from fleet.visits.plan import DAYS, draw
from fleet.visits.task import make

# of each of the plans that are tried; our choice: somebody waits
TRIED = Effort(
    moves=60,
    more_moves=0,
    programs=4,
    more_programs=0,
    windows=2,
    whole_columns=500,
    whole_nodes=50,
)


@dataclass(frozen=True)
class More:
    """Minutes on top of what is there, of one thing on one day."""

    what: str
    on: date
    minutes: int


@dataclass(frozen=True)
class Fit:
    """About what would make a plan fit, as planning with it found."""

    depot: str  # slug
    left_out: int  # services without a day now
    still_left_out: int  # with the minutes: what cannot come at all, or only later at less cost
    more: tuple[More, ...]  # by day; none: nothing is lacking that minutes could mend
    saves_minor: int  # what the plan costs less with them


def to_fit(depot: Depot, today: date, days: int = DAYS) -> Fit:
    """Find extra half hours of mechanics, skills and bays with which what is left out comes in."""
    found = gather(depot, today, days)
    made = make(found)
    now = draw(found, made, effort=TRIED).found
    counted = ~made.rounds
    extra = visit_extra.to_fit(made.task, TRIED)
    helps = bool(((now.day < 0) & (extra.found.day >= 0) & counted).any())
    minutes = extra.minutes * helps
    more = [
        More(made.task.rows[row].name, today + timedelta(days=day), round(minutes[row, day]))
        for row, day in np.argwhere(minutes > 0).tolist()
    ]
    return Fit(
        depot=depot.slug,
        left_out=int(((now.day < 0) & counted).sum()),
        still_left_out=int((((extra.found if helps else now).day < 0) & counted).sum()),
        more=tuple(sorted(more, key=lambda one: (one.on, one.what))),
        saves_minor=round(max(0.0, now.cost_minor - extra.found.cost_minor)) * helps,
    )
