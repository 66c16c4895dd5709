"""Levels as they were read on an order: since when each holds, and what was poured in later."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from fleet.reads import Read, Rows, prepared, reader
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
    went_in, rows = _went_in(order.pk), _confirmed(order.pk)
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


@prepared
def _went_in(order_id: int) -> Rows:
    poured = FluidRecord.objects.filter(job__order=order_id, withdrawn_by=None)
    return poured.exclude(way=FluidRecord.Way.OUT).order_by("performed_at", "pk")


@prepared
def _confirmed(order_id: int) -> Rows:
    rows = ConfirmRecord.objects.filter(job__order=order_id, withdrawn_by=None)
    return rows.select_related("person").order_by("performed_at", "pk")
