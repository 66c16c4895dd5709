"""Bay and mechanic of each visit of a plan: a van stays with whoever has it."""

from collections.abc import Collection
from dataclasses import replace

from fleet.calc.whole_jobs import Committed
from fleet.visits.gather import Gathered
from fleet.visits.task import Made


def set_out(
    found: Gathered,
    made: Made,
    come: dict[int, list[tuple[int, list[int], bool]]],
    no_more: Collection[int],
) -> dict[tuple[int, int], tuple[str, str]]:
    """Bay and mechanic of each visit, also of those that stand and fit, day by day. A van stays
    with whoever has it, also where the others would suit the day better."""
    row_of = {one.pk: row for row, one in enumerate(found.vehicles)}
    stands: dict[int, list[int]] = {}
    held: list[list[Committed]] = [[] for _ in range(found.days)]
    own: list[list[Committed]] = [[] for _ in range(found.days)]
    has = _who_has(found)
    pieces = [iter(each) for each in made.task.crew.committed] if made.task.crew else []
    for number, one in enumerate(found.standing):
        piece = next(pieces[one.day])
        if number not in no_more:
            stands.setdefault(one.day, []).append(row_of[one.vehicle_id])
            held[one.day].append(piece)
            who = has.get((one.vehicle_id, one.day))
            own[one.day].append(piece if who is None else replace(piece, mechanics=(who,)))
    crews = [
        replace(made.task.crew, committed=tuple(map(tuple, pieces)))
        for pieces in (own, held)
        if made.task.crew
    ]
    places: dict[tuple[int, int], tuple[str, str]] = {}
    for on in sorted({*stands, *come}):
        visits = come.get(on, [])
        shared = next(filter(None, (crew.set_out(on, visits) for crew in crews)), None)
        if shared is not None:
            inside = [*stands.get(on, []), *(vehicle for vehicle, _, _ in visits)]
            for vehicle, bay, mechanic in zip(inside, *shared, strict=True):
                who = has.get((found.vehicles[vehicle].pk, on), mechanic)
                names = found.places.bays[bay], found.places.mechanics[who]
                places.setdefault((vehicle, on), names)
    return places


def _who_has(found: Gathered) -> dict[tuple[int, int], int]:
    """Which mechanic has the orders of a vehicle on a day, by vehicle and day: whoever began one,
    else whoever was given one, if they are there."""
    has: dict[tuple[int, int], int] = {}
    for one in sorted(found.standing, key=lambda one: not one.begun):
        row = found.places.row_of(one.person_id, "")
        if row is not None and found.places.mechanic_min[row, one.day] > 0:
            has.setdefault((one.vehicle_id, one.day), row)
    return has
