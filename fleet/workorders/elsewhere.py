"""What else is due on the vehicle of an order, and stands on another order."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from django.db.models import Exists, OuterRef, QuerySet

from fleet.due.listing import days_late, state_on
from fleet.due.models import DueDate
from fleet.reads import Asked, Ids, Read, Rows, prepared, reader
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.workorders.issue import in_early_window
from fleet.workorders.listing import open_jobs, services_open
from fleet.workorders.models import WorkOrder
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


class Open(NamedTuple):
    """The order that has a service open."""

    order_id: int
    number: str
    planned_on: date | None
    is_seen: bool  # by the reader


TOLD = (  # of a due date, what its state and early window depend on, and its service's names
    *("vehicle_id", "sort_on", "p50", "history_known", "beyond_by_reading", "meter_life"),
    *("calendar_on", "calendar_life", "calendar_life_on", "calendar_life_per_d"),
    *("service__slug", "service__name", "service__early_share"),
)


def with_others(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Orders with whether another has a service of their vehicle open, as ``has_others``."""
    of_vehicle = services_open().filter(vehicle=OuterRef("vehicle"))
    others = of_vehicle.exclude(order=OuterRef("pk"))
    return orders.annotate(has_others=Exists(others))


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
    long as there is work to do; what fell due first comes first. One statement, and another
    where a vehicle has several orders.

    Parameters
    ----------
    depots
        That the reader sees: an order of another is not named.
    """
    here = [order for order in orders if order.state in BEFORE_THE_END]
    if not here:
        return {}
    known = _open_on({order.vehicle_id for order in here})
    yield [known, *([depots] if isinstance(depots, QuerySet | Asked) else [])]
    seen = {depot.pk for depot in depots}
    job_of = {
        (vehicle_id, service_id): Open(order_id, number, planned_on, depot_id in seen)
        for vehicle_id, service_id, order_id, number, planned_on, depot_id in known
    }
    has = defaultdict(set)
    for (vehicle_id, _), job in job_of.items():
        has[vehicle_id].add(job.order_id)
    vehicle_ids = {order.vehicle_id for order in here if has[order.vehicle_id] - {order.order_id}}
    dates: Collection[DueDate] = ()
    if vehicle_ids:  # few have two orders: the rest of them asks no further
        dates = _due_on(vehicle_ids)
        yield [dates]
    return {order.order_id: tuple(_beside(order, dates, job_of)) for order in here}


@prepared
def _open_on(vehicle_ids: Ids) -> Rows:
    return (
        open_jobs(vehicle_ids)
        .order_by("pk")
        .values_list(
            *("vehicle_id", "service_id", "order_id", "order__number", "order__planned_on"),
            "order__depot_id",
        )
    )


@prepared
def _due_on(vehicle_ids: Ids) -> Rows:
    """Due dates of services that an order has open."""
    jobs = open_jobs(vehicle_ids)
    ordered = jobs.filter(vehicle=OuterRef("vehicle"), service=OuterRef("service"))
    rows = DueDate.objects.filter(Exists(ordered), vehicle__in=vehicle_ids, history_known=True)
    return rows.select_related("service").only(*TOLD).order_by("sort_on", "service")


def _beside(
    order: Here, dates: Collection[DueDate], job_of: Mapping[tuple[int, int], Open]
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
                    order=job.number if job.is_seen else "",
                    planned_on=job.planned_on if job.is_seen else None,
                )
            )
    return found
