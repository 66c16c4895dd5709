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
    crew = made.task.crew
    if crew is None:
        return {}
    row_of = {one.pk: row for row, one in enumerate(found.vehicles)}
    stands: dict[int, list[int]] = {}
    held: list[list[Committed]] = [[] for _ in range(found.days)]
    pieces = [iter(each) for each in crew.committed]
    for number, one in enumerate(found.standing):
        piece = next(pieces[one.day])
        if number not in no_more:
            stands.setdefault(one.day, []).append(row_of[one.vehicle_id])
            held[one.day].append(piece)
    crew = replace(crew, committed=tuple(map(tuple, held)))
    places: dict[tuple[int, int], tuple[str, str]] = {}
    for on in sorted({*stands, *come}):
        visits = come.get(on, [])
        shared = crew.set_out(on, visits)
        if shared is not None:
            inside = [*stands.get(on, []), *(vehicle for vehicle, _, _ in visits)]
            for vehicle, bay, mechanic in zip(inside, *shared, strict=True):
                names = found.places.bays[bay], found.places.mechanics[mechanic]
                places.setdefault((vehicle, on), names)
    return places
