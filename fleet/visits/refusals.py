"""Why a day cannot hold a visit, in one sentence that names what is lacking."""

from collections.abc import Collection, Sequence

from fleet.calc.visit_refusal import Cause, Lack
from fleet.visits.bay_fit import why_none
from fleet.visits.gather import Gathered

ANOTHER_DAY = "choose another day"
BEGUN = "its work has begun and goes on when it can"
ANOTHER_VISIT = "move another visit first"


def sentence(
    found: Gathered, row: int, at: int, lack: Lack, skills: Collection[str], *, begun: bool = False
) -> str:
    """What a day lacks for the visit of a vehicle, and what helps.

    Parameters
    ----------
    row, at
        Of the vehicle, and of the day.
    skills
        What the visit asks of whoever does it.
    begun
        Its work has begun, and so it has no other day.
    """
    other, joined = (BEGUN, "; ") if begun else (ANOTHER_DAY, ", or ")
    places = found.places
    by_name = zip(places.mechanics, places.mechanic_min[:, at], strict=True)
    present = [name for name, minutes in by_name if minutes > 0]
    asked, most = f"{lack.asked_min:.0f} min", f"{lack.present_min:.0f} min"
    able = " and ".join(sorted(skills))
    who = f"whoever has the skill {able}" if able else "anybody"
    no_bay = why_none(found.vehicles[row].vehicle_type, places)
    words = {
        Cause.NO_BAY: f"{no_bay}: send it to an outside workshop",
        Cause.OPENING: f"it takes {asked} in the bay, longer than the opening of {most}: "
        "take a job off it",
        Cause.NOBODY: f"no mechanic is there: {other}",
        Cause.SKILL: f"it asks for the skill {able}, and "
        f"{_nobody_has_it(found, skills, present)}: {other}",
        Cause.LONGER: f"its {asked} of work are longer than {who} is there ({most}): "
        f"{other}{joined}take a job off it",
        Cause.SECOND: f"it asks for a second person for {asked}, and {_only(present)}: {other}",
        Cause.BAY_TAKEN: f"no bay that carries it has {asked} left: "
        f"{other}{'' if begun else ' or bay'}{joined}{ANOTHER_VISIT}",
        Cause.HANDS_TAKEN: f"nobody there who can do it has {asked} left in one piece: "
        f"{other}{joined}{ANOTHER_VISIT}",
        Cause.SECOND_TAKEN: f"no second person has {asked} left: {other}{joined}{ANOTHER_VISIT}",
        Cause.OTHERS: f"what is on that day already cannot be shared out whole: {ANOTHER_VISIT}",
    }
    return words[lack.cause]


def _nobody_has_it(found: Gathered, skills: Collection[str], present: Collection[str]) -> str:
    places = found.places
    have = [
        name
        for name, own in zip(places.mechanics, places.skills, strict=True)
        if {*skills} <= {*own}
    ]
    if not have:
        return f"no mechanic of {found.depot} has it"
    if {*have} & {*present}:
        return "whoever has this vehicle's order does not have it"
    if len(have) > 1:
        return f"{' and '.join(have)}, who have it, are not there"
    return f"{have[0]}, who has it, is not there"


def _only(present: Sequence[str]) -> str:
    alone = len(present) == 1
    return f"only {present[0] or 'one'} is there" if alone else "nobody else has the minutes"
