"""The vehicle that a fleet number addresses, as it is now or as it used to be."""

from collections.abc import Collection, Iterable
from typing import Any

from django.db.models import QuerySet, Value
from django.db.models.functions import Upper

from fleet.people.roles import depots_listed
from fleet.reads import Rows, prepared
from fleet.vehicles.models import Alias, Compartment, Depot, Vehicle

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


@prepared
def compartments_of(vehicle_type_id: int) -> Rows:
    """What a vehicle of some type has."""
    return Compartment.objects.filter(vehicle_type=vehicle_type_id)


def find(fleet_number: str, depots: QuerySet[Any]) -> Vehicle | None:
    """Find a vehicle of these depots by its fleet number or an old one, in any case."""
    text = fleet_number.strip()
    if not text or "\0" in text:
        return None
    own = _with_type(depots)
    now: Vehicle | None = _in_any_case(own, text).first()
    if now is not None:
        return now
    former = _in_any_case(Alias.objects.all(), text)
    return own.filter(pk__in=former.values("vehicle")).first()


@prepared
def numbered_now(person_id: int | None, fleet_number: str) -> Rows:
    """The vehicle of the depots listed for a person (None: of any) that has a fleet number now,
    in any case."""
    return _in_any_case(_with_type(depots_listed(person_id)), fleet_number)


def _with_type(depots: Depots) -> QuerySet[Vehicle]:
    return vehicles_at(depots).select_related("depot", "vehicle_type")


def _in_any_case(rows: Rows, fleet_number: str) -> Rows:
    """Vehicles, or numbers that they used to have, as their index finds them."""
    found: Rows = rows.alias(upper=Upper("fleet_number"))
    return found.filter(upper=Upper(Value(fleet_number)))
