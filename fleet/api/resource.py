"""What every view of the API declares about itself."""

from collections.abc import Collection, Mapping
from typing import ClassVar

from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.views import APIView

from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.vehicles.find import find
from fleet.vehicles.models import Vehicle


class Resource(APIView):
    scope: ClassVar[str]  # tokens need scope:read or scope:write
    rights: ClassVar[Mapping[str, Right]] = {"GET": Right.SEE}  # by method
    repeatable: ClassVar[Collection[str]] = ()  # methods that take Idempotency-Key
    conditional: ClassVar[Collection[str]] = ()  # methods that require If-Match
    versioned: ClassVar[Collection[str]] = ()  # methods whose body says the version that was seen


def vehicle_or_404(request: Request, fleet_number: str) -> Vehicle:
    vehicle = find(fleet_number, depots_for(request))
    if vehicle is None:
        raise NotFound(f"There is no vehicle {fleet_number[:40]} within your depots.")
    return vehicle
