"""How long a vehicle was out of use for the workshop, and how much of that it waited."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from fleet.workorders.models import WorkOrder

SECONDS_PER_H = 3600


@dataclass(frozen=True)
class Downtime:
    """Time in the workshop [h], split into work and waiting."""

    whole_h: float
    working_h: float
    waiting_h: float
    running: bool  # still there


def downtime(order: WorkOrder, now: datetime) -> Downtime | None:
    """From the arrival to the return, or to now; None before the arrival."""
    if order.arrived_at is None:
        return None
    return split(
        order.arrived_at,
        order.returned_at or now,
        timedelta(seconds=order.waited_s)
        + (now - order.waiting_since if order.waiting_since else timedelta()),
        running=order.returned_at is None,
    )


def split(from_at: datetime, until_at: datetime, waited: timedelta, *, running: bool) -> Downtime:
    """Never less than nothing, whatever order the instants came in."""
    whole = max(until_at - from_at, timedelta())
    waiting = min(waited, whole)
    return Downtime(
        whole_h=whole.total_seconds() / SECONDS_PER_H,
        working_h=(whole - waiting).total_seconds() / SECONDS_PER_H,
        waiting_h=waiting.total_seconds() / SECONDS_PER_H,
        running=running,
    )
