"""Levels as they were read on an order: since when each holds, and what was poured in later."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from fleet.reads import Read, reader
from fleet.workorders.models import ConfirmRecord, FluidRecord, WorkOrder


@dataclass(frozen=True)
class Level:
    """The newest word on the level of a step, which was as it should be."""

    at: datetime
    person: str
    poured: FluidRecord | None  # went in after it: the level wants reading again


@reader
def levels(order: WorkOrder) -> Read[dict[int, dict[int | None, Level]]]:
    """By job and number of the step; one query."""
    found: dict[int, dict[int | None, Level]] = defaultdict(dict)
    poured = FluidRecord.objects.filter(job__order=order, withdrawn_by=None)
    went_in = poured.exclude(way=FluidRecord.Way.OUT).order_by("performed_at", "pk")
    rows = ConfirmRecord.objects.filter(job__order=order, withdrawn_by=None)
    rows = rows.select_related("person").order_by("performed_at", "pk")
    yield [went_in, rows]
    for row in rows:
        place = found[row.job_id]
        place.pop(row.step, None)
        if row.seen:
            later = [
                one
                for one in went_in
                if one.job_id == row.job_id and one.performed_at > row.performed_at
            ]
            last = later[-1] if later else None
            place[row.step] = Level(row.performed_at, str(row.person or ""), last)
    return found
