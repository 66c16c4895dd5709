"""The vehicle that a fleet number addresses, as it is now or as it used to be."""

from collections.abc import Collection, Iterable
from typing import Any

from django.db.models import QuerySet, Value
from django.db.models.functions import Upper

from fleet.vehicles.models import Alias, Depot, Vehicle

Depots = Iterable[Depot] | QuerySet[Depot]  # how a read is scoped: rows, or a query for them


def vehicles_at(depots: Depots, statuses: Collection[str] | None = None) -> QuerySet[Vehicle]:
    """Vehicles of some depots, with some status (default with any)."""
    rows = Vehicle.objects.filter(depot__in=depots)
    return rows if statuses is None else rows.filter(status__in=statuses)


def numbered(wanted: Collection[str], depots: Depots) -> dict[str, tuple[int, str]]:
    """Id and time zone of vehicles of some depots by their numbers in capitals, as they are or
    used to be; a number in use goes before an old one."""
    former = Alias.objects.filter(vehicle__depot__in=depots)
    current = vehicles_at(depots)
    found = (
        former.values_list("fleet_number", "vehicle_id", "vehicle__depot__zone"),
        current.values_list("fleet_number", "id", "depot__zone"),
    )
    return {
        number.upper(): (pk, zone)
        for rows in found
        for number, pk, zone in rows.alias(upper=Upper("fleet_number")).filter(upper__in=wanted)
    }


def find(fleet_number: str, depots: QuerySet[Any]) -> Vehicle | None:
    """Find a vehicle of these depots by its fleet number or an old one, in any case."""
    text = fleet_number.strip()
    if not text or "\0" in text:
        return None
    own = Vehicle.objects.filter(depot__in=depots).select_related("depot", "vehicle_type")
    upper = Upper(Value(text))
    now = own.alias(upper=Upper("fleet_number")).filter(upper=upper).first()
    if now is not None:
        return now
    former = Alias.objects.alias(upper=Upper("fleet_number")).filter(upper=upper)
    return own.filter(pk__in=former.values("vehicle")).first()
