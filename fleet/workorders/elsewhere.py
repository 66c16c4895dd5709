"""What else is due on the vehicle of an order, and stands on another order."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

from fleet.due.listing import days_late, state_on
from fleet.due.models import DueDate
from fleet.reads import Read, reader
from fleet.today import today_at
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
    order: str  # number
    planned_on: date | None  # the day of that order


@reader
def due_elsewhere(orders: Collection[WorkOrder]) -> Read[dict[int, tuple[DueElsewhere, ...]]]:
    """What other orders have open that is due on the vehicles of some orders, by order id, as
    long as there is work to do; what fell due first comes first."""
    here = [order for order in orders if order.state in BEFORE_THE_END]
    vehicle_ids = {order.vehicle_id for order in here}
    jobs = Job.objects.filter(vehicle__in=vehicle_ids, state=Job.State.OPEN).exclude(service=None)
    jobs = jobs.select_related("order").order_by("pk")
    dates = DueDate.objects.filter(vehicle__in=vehicle_ids, history_known=True)
    dates = dates.select_related("service").order_by("sort_on", "service")
    yield [jobs, dates]
    job_of = {(job.vehicle_id, job.service_id): job for job in jobs}
    return {order.pk: tuple(_beside(order, dates, job_of)) for order in here}


def _beside(
    order: WorkOrder, dates: Collection[DueDate], job_of: Mapping[tuple[int, int | None], Job]
) -> list[DueElsewhere]:
    today = today_at(order.depot.zone)
    found = []
    for row in dates:
        job = job_of.get((row.vehicle_id, row.service_id))
        if row.vehicle_id != order.vehicle_id or job is None or job.order_id == order.pk:
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
                    order=job.order.number,
                    planned_on=job.order.planned_on,
                )
            )
    return found
