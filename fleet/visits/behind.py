"""Why a late service waits while another visit has a place before it: what that place lacks for
it, or what it would cost."""

from datetime import timedelta

import numpy as np

from fleet.calc.visit_behind import NOTHING, WHOLE, Behind, behind
from fleet.calc.visit_plan import Found
from fleet.stores import money
from fleet.today import day
from fleet.visits.gather import Gathered
from fleet.visits.task import Made

LATE_D = 1.0  # expected [d]: fewer are not explained further; our choice
OF_MINUTES = {
    "mechanics": "min of a mechanic",
    "bays": "min in a bay",
    "bay": "min in a bay that carries it",
    "skill": "min of whoever has the skill",
}


def why_behind(found: Gathered, made: Made, best: Found) -> dict[int, str]:
    """Of services planned late, by number, in a clause."""
    at = np.arange(len(best.day))
    late_d = made.costs.late_d[at, np.maximum(best.day, 0)]
    late = np.flatnonzero((best.day >= 0) & ~made.rounds & (late_d >= LATE_D))
    told = behind(made.task, best, late)
    return {number: words for number, one in told.items() if (words := in_words(found, one))}


def in_words(found: Gathered, one: Behind) -> str:
    """What keeps a late service from the place of another, in a clause; empty: nothing to say."""
    van = found.vehicles[one.vehicle].fleet_number
    on = day(found.today + timedelta(days=one.day))
    if one.more_minor >= 0:
        more_minor = round(one.more_minor)
        cost = f"{money.words(more_minor)} more" if more_minor else "as much"
        return f"to come in on {on} in the place of {van} would cost {cost}"
    if one.lacks == NOTHING:
        return ""
    return f"{van}, less urgent, comes in on {on}, but {_lacks(one, van)}"


def _lacks(one: Behind, van: str) -> str:
    if one.lacks == WHOLE:
        return f"without {van} nobody has {one.asked:.0f} min left in one piece, or no bay has"
    if one.lacks in OF_MINUTES:
        unit = f"{OF_MINUTES[one.lacks]} {one.name if one.lacks == 'skill' else ''}".strip()
        return f"it asks for {one.asked:.0f} {unit}, and without {van} {one.there:.0f} are left"
    if one.lacks == "part":
        return f"too little of {one.name} is there by then"
    return "no more vehicles of its type can be spared then"
