"""Draft orders for many due services at once, with an answer for each."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from fleet.due.models import Service
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.vehicles.models import Vehicle
from fleet.workorders.issue import OrderDraft, draft
from fleet.workorders.listing import open_jobs


@dataclass(frozen=True)
class Drafted:
    """What came of one service that was chosen."""

    vehicle: Vehicle
    service: Service
    order: str = ""  # number of the order that has it now
    made: bool = False  # whether that order was drafted here
    fault: str = ""  # why no order has it
    joined: tuple[str, ...] = ()  # services within their early window that came along


def draft_many(
    actor: Actor, chosen: Iterable[tuple[Vehicle, Service]], *, join_early: bool = False
) -> list[Drafted]:
    """One order per vehicle with all that was chosen of it, and what is within its early window
    where that is asked for.

    What has an order already keeps it, so that the same choice sent twice makes nothing new; what
    one vehicle refuses holds up no other.
    """
    by_vehicle: dict[Vehicle, list[Service]] = defaultdict(list)
    for vehicle, service in dict.fromkeys(chosen):
        by_vehicle[vehicle].append(service)
    jobs = open_jobs([vehicle.pk for vehicle in by_vehicle])
    rows = jobs.values_list("vehicle_id", "service_id", "order__number")
    taken = {(vehicle, service): number for vehicle, service, number in rows}
    found: list[Drafted] = []
    for vehicle, services in by_vehicle.items():
        new = [service for service in services if (vehicle.pk, service.pk) not in taken]
        found += _drafted(actor, vehicle, new, join_early) if new else []
        found += [
            Drafted(vehicle, service, order=taken[vehicle.pk, service.pk])
            for service in services
            if service not in new
        ]
    return found


def _drafted(
    actor: Actor, vehicle: Vehicle, services: list[Service], join_early: bool
) -> list[Drafted]:
    ids = [one.pk for one in services]
    try:
        order = draft(
            actor, OrderDraft(vehicle_id=vehicle.pk, service_ids=ids, join_early=join_early)
        )
    except Fault as fault:
        return [Drafted(vehicle, one, fault=str(fault)) for one in services]
    more = order.jobs.exclude(service__in=ids).order_by("pk") if join_early else ()
    joined = tuple(job.title for job in more)
    return [Drafted(vehicle, one, order.number, made=True, joined=joined) for one in services]
