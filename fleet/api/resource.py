"""What every view of the API declares about itself."""

from collections.abc import Collection, Mapping
from typing import Any, ClassVar, TypeVar

from django.db.models import QuerySet
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.views import APIView

from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.vehicles.find import find
from fleet.vehicles.models import Vehicle

Row = TypeVar("Row")


class Resource(APIView):
    scope: ClassVar[str]  # tokens need scope:read or scope:write
    rights: ClassVar[Mapping[str, Right]] = {"GET": Right.SEE}  # by method
    repeatable: ClassVar[Collection[str]] = ()  # methods that take Idempotency-Key
    conditional: ClassVar[Collection[str]] = ()  # methods that require If-Match
    versioned: ClassVar[Collection[str]] = ()  # methods whose body says the version that was seen


def one_or_404(found: QuerySet[Any, Row], otherwise: str) -> Row:
    """The first of what was found; refused with a sentence where there is none."""
    row = found.first()
    if row is None:
        raise NotFound(otherwise)
    return row


def vehicle_or_404(request: Request, fleet_number: str) -> Vehicle:
    vehicle = find(fleet_number, depots_for(request))
    if vehicle is None:
        raise NotFound(f"There is no vehicle {fleet_number[:40]} within your depots.")
    return vehicle
