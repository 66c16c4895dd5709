"""What stands beside a due service: its order, a deferral, and vehicles not to be used."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fleet.due import defer
from fleet.due.models import Deferral, Service
from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.workorders import findings, issue
from fleet.workorders.models import Job

Key = tuple[int, int]  # vehicle and service


@dataclass(frozen=True)
class Marks:
    orders: Mapping[Key, str]  # number of the order that has the service open
    deferred: Mapping[Key, Deferral]
    stopped: Mapping[int, str]  # why a vehicle must not be used
    may_release: bool
    joining: Mapping[int, Sequence[Service]]  # what an order drafted now would take along

    def beside(self, vehicle_id: int, service_id: int) -> list[str]:
        """Names of the services that join when an order for one is drafted."""
        joins = self.joining.get(vehicle_id, ())
        return [service.name for service in joins if service.pk != service_id]


def marks_of(vehicle_ids: Collection[int], person: Person, today: date) -> Marks:
    """Marks of some vehicles, three or four queries whatever their number."""
    ids = sorted(set(vehicle_ids))
    jobs = Job.objects.filter(vehicle__in=ids, state=Job.State.OPEN).exclude(service=None)
    rows = jobs.values_list("vehicle_id", "service_id", "order__number")
    releases = may(person, Right.RELEASE)
    return Marks(
        orders={(vehicle, service or 0): number for vehicle, service, number in rows},
        deferred=defer.in_force(ids, today),
        stopped=findings.in_force(ids),
        may_release=releases,
        joining=issue.joining(ids, today) if releases else {},
    )
