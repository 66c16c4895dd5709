"""What a vehicle that comes in for anything could have done as well."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime

from fleet.reads import Ids, Read, Rows, prepared, reader, side_by_side, together
from fleet.today import today_at
from fleet.vehicles.find import Depots
from fleet.visits.models import Visit
from fleet.visits.other_work import jobs_of, to_plan
from fleet.workorders.elsewhere import DueElsewhere, Here, due_beside
from fleet.workorders.issue import joining
from fleet.workorders.models import WorkOrder
from fleet.workorders.progress import BEFORE_THE_END


@reader
def also(vehicle_ids: Collection[int], today: date) -> Read[dict[int, list[str]]]:
    """Names of services that are due or in their early window, and of other work that has no
    fixed day to come, none of it on an order, by vehicle; a constant number of queries."""
    found: dict[int, list[str]] = defaultdict(list)
    joins, works = yield from side_by_side(
        joining.steps(vehicle_ids, today),
        _to_plan_of(vehicle_ids),
    )
    for vehicle_id, services in joins.items():
        found[vehicle_id] += [one.name for one in services]
    ordered = yield from jobs_of.steps(works)
    for work in works:
        if work.pk not in ordered and not (work.fixed_on and work.fixed_on > today):
            found[work.vehicle_id].append(str(work))
    return dict(found)


@prepared
def _to_plan_of(vehicle_ids: Ids) -> Rows:
    return to_plan().filter(vehicle__in=vehicle_ids).order_by("pk")


@reader
def beside_order(order: WorkOrder, now: datetime) -> Read[list[str]]:
    """The same of the vehicle of an order of the own workshop, while there is work to do."""
    if order.state not in BEFORE_THE_END or order.where != WorkOrder.Where.OWN:
        return []
    today = today_at(order.depot.zone, now)
    found = yield from also.steps([order.vehicle_id], today)
    return found.get(order.vehicle_id, [])


@dataclass(frozen=True)
class Beside:
    """What else is due on the vehicle of an order."""

    free: list[str]  # on no order
    elsewhere: tuple[DueElsewhere, ...]


def beside_orders(here: Collection[Here], today: date, depots: Depots) -> dict[int, Beside]:
    """The same of many orders, by id, for who sees some depots; and what other orders have."""
    vehicle_ids = {one.vehicle_id for one in here}
    free, elsewhere = together(also.steps(vehicle_ids, today), due_beside.steps(here, depots))
    return {
        one.order_id: Beside(free.get(one.vehicle_id, []), elsewhere.get(one.order_id, ()))
        for one in here
    }


def beside(visit: Visit, today: date) -> list[str]:
    """The same of a visit's vehicle, without what the visit does."""
    planned = {one.name for one in visit.services.select_related("service", "work")}
    names = also([visit.vehicle_id], today).get(visit.vehicle_id, [])
    return [name for name in names if name not in planned]
