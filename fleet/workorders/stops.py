"""What stands against using vehicles: marks not to use them, and restrictions."""

from collections.abc import Collection
from dataclasses import dataclass, field

from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.workorders import findings, restrictions


@dataclass(frozen=True)
class Stops:
    do_not_use: dict[int, str] = field(default_factory=dict)  # the newest reason, by vehicle
    restricted: dict[int, list[str]] = field(default_factory=dict)  # by vehicle, oldest first


@reader
def stops(vehicle_ids: Collection[int]) -> Read[Stops]:
    """What stands on some vehicles; one query whatever their number."""
    found = Stops()
    reasons, restricted = _reasons(vehicle_ids), _restricted(vehicle_ids)
    yield [reasons, restricted]
    found.do_not_use.update(reasons)
    for vehicle_id, text in restricted:
        found.restricted.setdefault(vehicle_id, []).append(text)
    return found


@prepared
def _reasons(vehicle_ids: Ids) -> Rows:
    marks = findings.marks_in_force().filter(vehicle__in=vehicle_ids).order_by("set_at")
    return marks.values_list("vehicle_id", "reason")


@prepared
def _restricted(vehicle_ids: Ids) -> Rows:
    return restrictions.standing(vehicle_ids).values_list("vehicle_id", "text")
