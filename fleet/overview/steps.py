"""How far a fleet has come on its way to a first due date."""

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.readings.models import Reading
from fleet.vehicles.models import Depot, Vehicle


@dataclass(frozen=True)
class Steps:
    vehicles: int  # described at the depots
    read: int  # of them, with a reading


def steps(depots: Sequence[Depot]) -> Steps:
    """Of some depots; two queries."""
    described = Vehicle.objects.filter(depot__in=depots)
    read = Reading.objects.filter(vehicle__depot__in=depots).values("vehicle").distinct()
    return Steps(described.count(), read.count())
