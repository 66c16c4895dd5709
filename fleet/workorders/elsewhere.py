"""What else is due on the vehicle of an order, and stands on another order."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q

from fleet.due.listing import days_late, state_on
from fleet.due.models import DueDate
from fleet.reads import Read, reader
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.workorders.issue import in_early_window
from fleet.workorders.models import Job, WorkOrder
from fleet.workorders.progress import BEFORE_THE_END


@dataclass(frozen=True)
class DueElsewhere:
    """A service that is due, or in its early window, on another order of the same vehicle."""

    service: str  # slug
    name: str
    state: str  # one of the states of a due date
    late_d: int | None  # days since it fell due, or likely did; None: it is not late
    order: str  # number; empty: at a depot that the reader does not see
    planned_on: date | None  # the day of that order, as far as it is named


class Here(NamedTuple):
    """An order beside which others are looked for."""

    order_id: int
    vehicle_id: int
    state: str
    zone: str  # of its depot


@reader
def due_elsewhere(
    orders: Collection[WorkOrder], depots: Depots
) -> Read[dict[int, tuple[DueElsewhere, ...]]]:
    """What is due beside some orders, as ``due_beside`` has it."""
    here = [Here(one.pk, one.vehicle_id, one.state, one.depot.zone) for one in orders]
    found = yield from due_beside.steps(here, depots)
    return found


@reader
def due_beside(
    orders: Collection[Here], depots: Depots
) -> Read[dict[int, tuple[DueElsewhere, ...]]]:
    """What other orders have open that is due on the vehicles of some orders, by order id, as
    long as there is work to do; what fell due first comes first. One statement.

    Parameters
    ----------
    depots
        That the reader sees: an order of another is not named.
    """
    here = [order for order in orders if order.state in BEFORE_THE_END]
    vehicle_ids = {order.vehicle_id for order in here}
    jobs = Job.objects.filter(vehicle__in=vehicle_ids, state=Job.State.OPEN).exclude(service=None)
    ordered = jobs.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    dates = DueDate.objects.filter(Exists(ordered), vehicle__in=vehicle_ids, history_known=True)
    dates = dates.select_related("service").order_by("sort_on", "service")
    jobs = jobs.annotate(is_seen=Q(order__depot__in=depots))
    jobs = jobs.select_related("order").order_by("pk")
    yield [jobs, dates]
    job_of = {(job.vehicle_id, job.service_id): job for job in jobs}
    return {order.order_id: tuple(_beside(order, dates, job_of)) for order in here}


def _beside(
    order: Here, dates: Collection[DueDate], job_of: Mapping[tuple[int, int | None], Any]
) -> list[DueElsewhere]:
    today = today_at(order.zone)
    found = []
    for row in dates:
        job = job_of.get((row.vehicle_id, row.service_id))
        if row.vehicle_id != order.vehicle_id or job is None or job.order_id == order.order_id:
            continue
        state = state_on(vars(row), today)
        late = state in ("overdue", "probably_overdue")
        if late or in_early_window(row, today):
            late_d = days_late(row.sort_on, today) if late else None
            found.append(
                DueElsewhere(
                    service=row.service.slug,
                    name=row.service.name,
                    state=state,
                    late_d=late_d,
                    order=job.order.number if job.is_seen else "",
                    planned_on=job.order.planned_on if job.is_seen else None,
                )
            )
    return found
