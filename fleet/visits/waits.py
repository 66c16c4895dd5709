"""Which services wait for a part, till about when, and what would mend it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.calc.visit_plan import Found, left_of
from fleet.calc.visit_reasons import Reason
from fleet.stores.doubt import amount
from fleet.today import day
from fleet.vehicles.models import Depot
from fleet.visits.gather import Gathered
from fleet.visits.parts import Part
from fleet.visits.task import Made


@dataclass(frozen=True)
class Wait:
    """A part that keeps a service from the day it wants, and about when more of it is there."""

    part: Part
    on: date

    @property
    def words(self) -> str:
        return f"{self.part.item.name}, about {day(self.on)}"


def waits(found: Gathered, made: Made, best: Found, told: Sequence[Reason]) -> dict[int, Wait]:
    """Of the services that a plan tells to wait for a part, by number."""
    waiting = [number for number, reason in enumerate(told) if reason is Reason.PART]
    if not waiting:
        return {}
    task = made.plain
    first = len(task.rows) - len(found.parts)
    rows, left = task.rows[first:], left_of(task, best)[first:]
    waited: dict[int, Wait] = {}
    for number in waiting:
        wanted = int(np.argmin(made.around.wanted_minor[number]))
        for row, rest, part in zip(rows, left, found.parts, strict=True):
            if row.use[number] > rest[wanted]:
                more = np.flatnonzero(row.capacity > row.capacity[wanted])
                at = int(more[0]) if len(more) else part.enough_d
                wait = Wait(part, found.today + timedelta(days=at))
                waited[number] = max(wait, waited.get(number, wait), key=lambda one: one.on)
    return waited


def to_mend(found: Gathered, waited: Mapping[int, Wait]) -> list[str]:
    """Of each part that services wait for, what is there and what would mend it."""
    short = {wait.part.item.pk for wait in waited.values()}
    return [
        _to_mend(part, found.depot, found.today, found.days)
        for part in found.parts
        if part.item.pk in short
    ]


def _to_mend(part: Part, depot: Depot, today: date, days: int) -> str:
    """What is lacking of a part that services wait for, and what would mend it."""
    takes = amount(sum(part.takes.values()), part.item)
    here = amount(part.here, part.item)
    told = f"{part.item.name}: this plan could take {takes}; usable at {depot}: {here}."
    if part.coming:
        listed = (f"{amount(q, part.item)} on {day(today + timedelta(days=at))}"
                  for at, q in part.coming)  # fmt: skip
        told += f" On order: {', '.join(listed)}."
    if part.overdue_on:
        told += f" More should have come by {day(part.overdue_on)}: ask for it, or receive it."
    if part.coming and part.enough_d == part.coming[-1][0]:
        return f"{told} Ask for it sooner, or order it elsewhere."
    if part.enough_d < days:
        enough_on = day(today + timedelta(days=part.enough_d))
        return f"{told} Order it: ordered today it comes about {enough_on}."
    return f"{told} No more comes within the plan: order it elsewhere, or allow a substitute."
