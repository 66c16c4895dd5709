"""What stands against using vehicles: marks not to use them, and restrictions."""

from collections.abc import Collection
from dataclasses import dataclass, field

from django.db.models import CharField, F, Value

from fleet import bulk
from fleet.workorders import findings, restrictions


@dataclass(frozen=True)
class Stops:
    do_not_use: dict[int, str] = field(default_factory=dict)  # the newest reason, by vehicle
    restricted: dict[int, list[str]] = field(default_factory=dict)  # by vehicle, oldest first


def stops(vehicle_ids: Collection[int]) -> Stops:
    """What stands on some vehicles; one query whatever their number."""
    found = Stops()
    marks = findings.marks_in_force().filter(vehicle__in=vehicle_ids).order_by("set_at")
    lifted_by_nobody = restrictions.standing(vehicle_ids)
    parts = [
        rows.values(
            told_kind=Value(kind, CharField()), told_vehicle=F("vehicle_id"), told_text=F(text)
        )
        for rows, kind, text in ((marks, "mark", "reason"), (lifted_by_nobody, "", "text"))
    ]
    for kind, vehicle_id, text in bulk.stacked(parts):
        if kind:
            found.do_not_use[vehicle_id] = text
        else:
            found.restricted.setdefault(vehicle_id, []).append(text)
    return found
