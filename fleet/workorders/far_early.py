"""Services of orders that are far from due: much earlier than their early window."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import cast

from fleet.due.listing import life_used
from fleet.due.models import DueDate
from fleet.today import today_at
from fleet.workorders.models import Job, WorkOrder

FAR_EARLY_D = 90  # fewer days may be worth a visit that is saved; our choice


@dataclass(frozen=True)
class FarEarly:
    """A service that an order would do long before it falls due."""

    name: str
    due_on: date  # expected
    done_on: date

    @property
    def early_d(self) -> int:
        return (self.due_on - self.done_on).days


def far_early(on: Mapping[WorkOrder, date], now: datetime) -> dict[int, list[FarEarly]]:
    """What some orders would do far too early, each on a day, by order id, in the order of their
    jobs; two queries. What a finding asked for is never too early."""
    orders = {order.pk: order for order in on if order.follows_id is None}
    jobs = Job.objects.filter(order__in=orders, state=Job.State.OPEN).exclude(service=None)
    vehicle_ids = {order.vehicle_id for order in orders.values()}
    dates = DueDate.objects.filter(vehicle__in=vehicle_ids, history_known=True, p50__isnull=False)
    row_of = {(row.vehicle_id, row.service_id): row for row in dates.select_related("service")}
    found: dict[int, list[FarEarly]] = defaultdict(list)
    for job in jobs.order_by("pk"):
        order = orders[job.order_id]
        row = row_of.get((job.vehicle_id, cast(int, job.service_id)))
        today = today_at(order.depot.zone, now)
        done_on = max(on[order], today)
        if row is not None and _is_far(row, done_on, today):
            found[order.pk].append(FarEarly(row.service.name, row.sort_on, done_on))
    return dict(found)


def _is_far(row: DueDate, done_on: date, today: date) -> bool:
    """Whether a day is before the early window, by months: life is used evenly until it is due."""
    early_d = (row.sort_on - done_on).days
    if early_d < FAR_EARLY_D:
        return False
    used = life_used(vars(row), today)
    left = 1.0 if used is None else (1 - used) * early_d / (row.sort_on - today).days
    return left > row.service.early_share
