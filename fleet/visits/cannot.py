"""What no day of a plan can hold, each with what would mend it. A plan is made all the same."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import timedelta

from fleet.today import day
from fleet.visits.bay_fit import fits, why_none
from fleet.visits.gather import Gathered
from fleet.visits.task import Made


def cannot(found: Gathered, made: Made) -> list[str]:
    """Sentences; a depot where everything can be done has none."""
    nobody = list(_no_capacity(found))
    return [
        *nobody,
        *_no_skill(found, made),
        *_no_bay(found),
        *([] if nobody else _too_long(found)),
        *_away_throughout(found),
    ]


def _no_capacity(found: Gathered) -> Iterator[str]:
    places, depot = found.places, found.depot
    if not places.open.any():
        yield (
            f"{depot} is open on no day of the plan: correct its working days, its closures or its "
            "blocked days."
        )
    elif not places.mechanic_min.any():
        yield (
            f"Nobody is there at {depot} on any day of the plan: enter another mechanic, or "
            "correct the minutes, days of work and absences of those there are."
        )
    elif not places.bay_min.any():
        yield f"No bay at {depot} is open on any day of the plan: correct the opening of its bays."


def _no_skill(found: Gathered, made: Made) -> Iterator[str]:
    known = {skill for own in found.places.skills for skill in own}
    for name in made.skill_names:
        if name not in known:
            yield (
                f"No mechanic at {found.depot} has the skill {name!r}: give it to one under "
                "Mechanics, or take it off the services that ask for it."
            )


def _no_bay(found: Gathered) -> Iterator[str]:
    homeless: dict[str, list[str]] = defaultdict(list)
    for vehicle, inside in zip(found.vehicles, fits(found.vehicles, found.places), strict=True):
        if not inside.any():
            why = why_none(vehicle.vehicle_type, found.places)
            homeless[why].append(vehicle.fleet_number)
    for why, numbers in homeless.items():
        yield (
            f"{_listed(numbers)} fit no bay at {found.depot}: {why}. Correct the sizes under Bays "
            "or those of the type, or send them to an outside workshop."
        )


def _too_long(found: Gathered) -> Iterator[str]:
    longest = float(found.places.mechanic_min.max(initial=0.0))
    long = sorted({one.name for one in found.wanted if one.work_min > longest})
    if long:
        yield (
            f"{_listed(long)}: longer than anybody at {found.depot} is there on a day. Plan it by "
            "hand, or enter the minutes as they are."
        )


def _away_throughout(found: Gathered) -> Iterator[str]:
    """Vehicles that cannot come on any open day though something of them wants one."""
    asked = {one.vehicle_id for one in found.wanted}
    open_days = found.places.open
    numbers = [
        vehicle.fleet_number
        for vehicle, away in zip(found.vehicles, found.away, strict=True)
        if vehicle.pk in asked and open_days.any() and away[open_days].all()
    ]
    if numbers:
        last = day(found.today + timedelta(days=found.days - 1))
        yield (
            f"{_listed(numbers)}: away on every open day until {last}, so nothing of it is "
            "planned. Shorten the absence, or have it done where it is."
        )


def _listed(names: Sequence[str], most: int = 5) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
