"""What stands beside a due service: its order, a deferral, and vehicles not to be used."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.due import defer
from fleet.due.models import Deferral, Service
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.reads import Ids, Read, Rows, prepared, reader, side_by_side
from fleet.workorders import issue, listing
from fleet.workorders.stops import stops

Key = tuple[int, int]  # vehicle and service


@dataclass(frozen=True)
class Marks:
    orders: Mapping[Key, str]  # number of the order that has the service open
    deferred: Mapping[Key, Deferral]
    stopped: Mapping[int, str]  # why a vehicle must not be used
    restricted: Mapping[int, Sequence[str]]  # what stands on it
    may_release: bool
    joining: Mapping[int, Sequence[Service]]  # what an order drafted now may take along

    def beside(self, vehicle_id: int, service_id: int) -> list[Service]:
        """Services within their early window, to be chosen when an order for one is drafted."""
        joins = self.joining.get(vehicle_id, ())
        return [service for service in joins if service.pk != service_id]


@reader
def marks_of(
    vehicle_ids: Collection[int], person: Person, today: date, *, joining: bool = True
) -> Read[Marks]:
    """Marks of some vehicles; one query whatever their number."""
    ids = sorted(set(vehicle_ids))
    releases = may(person, Right.RELEASE)
    rows, stand, deferred, *joins = yield from side_by_side(
        _with_numbers(ids),
        stops.steps(ids),
        defer.in_force.steps(ids, today),
        *([issue.joining.steps(ids, today)] if releases and joining else []),
    )
    return Marks(
        orders={(vehicle, service or 0): number for vehicle, service, number in rows},
        deferred=deferred,
        stopped=stand.do_not_use,
        restricted=stand.restricted,
        may_release=releases,
        joining=joins[0] if joins else {},
    )


@prepared
def _with_numbers(vehicle_ids: Ids) -> Rows:
    open_jobs = listing.open_jobs(vehicle_ids)
    return open_jobs.values_list("vehicle_id", "service_id", "order__number")
