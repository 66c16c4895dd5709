"""What stands against using vehicles: marks not to use them, and restrictions."""

from collections.abc import Collection
from dataclasses import dataclass, field

from fleet.reads import Read, reader
from fleet.workorders import findings, restrictions


@dataclass(frozen=True)
class Stops:
    do_not_use: dict[int, str] = field(default_factory=dict)  # the newest reason, by vehicle
    restricted: dict[int, list[str]] = field(default_factory=dict)  # by vehicle, oldest first


@reader
def stops(vehicle_ids: Collection[int]) -> Read[Stops]:
    """What stands on some vehicles; one query whatever their number."""
    found = Stops()
    reasons, restricted = findings.reasons(vehicle_ids), restrictions.texts_standing(vehicle_ids)
    yield [reasons, restricted]
    found.do_not_use.update(reasons)
    for vehicle_id, text in restricted:
        found.restricted.setdefault(vehicle_id, []).append(text)
    return found
