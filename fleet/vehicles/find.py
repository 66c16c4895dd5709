"""The vehicle that a fleet number addresses, as it is now or as it used to be."""

from typing import Any

from django.db.models import QuerySet, Value
from django.db.models.functions import Upper

from fleet.vehicles.models import Alias, Vehicle


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
