"""Bays, mechanics and what services ask for: entered, corrected and taken away, one by one."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, person_named, sender, wrong
from fleet.api.fields import Strict, Text, body
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.due.models import Service
from fleet.people.roles import Right
from fleet.visits import set_up
from fleet.visits.models import Bay, Mechanic, ServiceNeed
from fleet.visits.workshop_data import (
    BayRow,
    MechanicRow,
    NeedRow,
    bay_row,
    mechanic_row,
    need_row,
    needs,
)

MOST_MIN = 1_440  # in a day
BayShape, MechanicShape, NeedShape = shape_of(BayRow), shape_of(MechanicRow), shape_of(NeedRow)


class Skills(serializers.ListField):
    """What not everybody can do, in words of one's own, alike for mechanics and services."""

    def __init__(self, **options: Any) -> None:
        super().__init__(child=Text(max_length=40), max_length=20, default=list, **options)


class BayGiven(Strict):
    name = Text(max_length=40)
    rated_kg = serializers.IntegerField(
        min_value=1, max_value=1_000_000, allow_null=True, default=None, help_text="Null: any mass"
    )
    length_m = serializers.FloatField(
        min_value=0.5, max_value=100, allow_null=True, default=None, help_text="Null: any length"
    )
    height_m = serializers.FloatField(
        min_value=0.5, max_value=100, allow_null=True, default=None, help_text="Null: any height"
    )
    opening_min = serializers.IntegerField(
        min_value=1, max_value=MOST_MIN, allow_null=True, default=None,
        help_text="Of a day; null: as the workshop",
    )  # fmt: skip
    source = Text(max_length=200, help_text="Who said so")  # type: ignore[assignment]


class NewBayGiven(BayGiven):
    depot = Text(max_length=40)


class MechanicGiven(Strict):
    name = Text(max_length=80)
    minutes = serializers.IntegerField(
        min_value=1, max_value=MOST_MIN, default=480, help_text="On a day of work"
    )
    works_on = Text(
        min_length=7, max_length=7, default="1111100", help_text="Seven digits, Monday first"
    )
    skills = Skills()
    person = Text(
        max_length=150, allow_null=True, default=None,
        help_text="User name of who gets the orders that are published; null: nobody",
    )  # fmt: skip
    source = Text(max_length=200, help_text="Who said so")  # type: ignore[assignment]


class NewMechanicGiven(MechanicGiven):
    depot = Text(max_length=40)


class NeedGiven(Strict):
    skills = Skills()
    second_min = serializers.IntegerField(
        min_value=0, max_value=MOST_MIN, default=0, help_text="Of a second person"
    )
    source = Text(max_length=200, help_text="Who said so")  # type: ignore[assignment]


class NewNeedGiven(NeedGiven):
    vehicle_type = Text(max_length=40)
    service = Text(max_length=60)


@dataclass(frozen=True)
class Kind:
    """One kind of row: what a person reaches of it, how it is filled and shown."""

    name: str
    reached: Callable[[Request], QuerySet[Any]]
    new: Callable[[Request, dict[str, Any]], Any]  # takes what it names out of the body
    told: Callable[[Any], Any]


def _of_depot(model: type[Any]) -> Callable[[Request, dict[str, Any]], Any]:
    def new(request: Request, given: dict[str, Any]) -> Any:
        depot = one_or_404(
            depots_for(request).filter(slug=given.pop("depot")),
            "There is no such depot among yours.",
        )
        return model(depot=depot)

    return new


def _new_need(request: Request, given: dict[str, Any]) -> ServiceNeed:
    slug, type_slug = given.pop("service"), given.pop("vehicle_type")
    service = Service.objects.filter(slug=slug, vehicle_type__slug=type_slug).first()
    if service is None:
        raise wrong("service", f"{type_slug} has no service {slug}.")
    return ServiceNeed(service=service)


def _own(model: type[Any]) -> Callable[[Request], QuerySet[Any]]:
    return lambda request: model.objects.filter(depot__in=depots_for(request))


BAY = Kind("bay", _own(Bay), _of_depot(Bay), bay_row)
MECHANIC = Kind("mechanic", _own(Mechanic), _of_depot(Mechanic), mechanic_row)
NEED = Kind("service need", lambda request: needs(), _new_need, need_row)


class WorkshopRows(Resource):
    """Rows of one kind: entered, corrected, taken away."""

    scope = "visits"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    def entered(self, request: Request, kind: Kind, shape: type[Strict]) -> Response:
        given = body(request, shape)
        row = _filled(kind.new(request, given), given)

        def effect() -> Answer:
            set_up.enter(sender(request, {}), row)
            return Answer(asdict(kind.told(row)), HTTPStatus.CREATED)

        return once(request, effect)

    def corrected(self, request: Request, kind: Kind, pk: int, shape: type[Strict]) -> Response:
        given = body(request, shape)

        def effect() -> Answer:
            row = _filled(_one(request, kind, pk), given)
            set_up.enter(sender(request, {}), row)
            return Answer(asdict(kind.told(row)))

        return once(request, effect)

    def removed(self, request: Request, kind: Kind, pk: int) -> Response:
        body(request, Act)

        def effect() -> Answer:
            row = _one(request, kind, pk)
            was = asdict(kind.told(row))
            set_up.remove(sender(request, {}), row)
            return Answer(was)

        return once(request, effect)


def _one(request: Request, kind: Kind, pk: int) -> Any:
    return one_or_404(
        kind.reached(request).filter(pk=pk), f"There is no {kind.name} {pk} within your depots."
    )


def _filled(row: Any, given: dict[str, Any]) -> Any:
    """The row with what was given; a person must be one who does the work there."""
    values = dict(given)
    if "person" in values:
        values["person"] = person_named(values["person"], Right.RECORD_WORK, row.depot_id, "person")
    for name, value in values.items():
        setattr(row, name, value)
    return row


class EnterBay(WorkshopRows):
    @extend_schema(operation_id="bays_enter", request=NewBayGiven, responses={201: BayShape})
    def post(self, request: Request) -> Response:
        """Enters a bay of a depot's workshop and what fits into it; the plan made next uses it."""
        return self.entered(request, BAY, NewBayGiven)


class CorrectBay(WorkshopRows):
    @extend_schema(
        operation_id="bays_correct",
        request=BayGiven,
        responses=BayShape,
        description="Says all of a bay anew; what is left out goes back to its default.",
    )
    def post(self, request: Request, bay_id: int) -> Response:
        return self.corrected(request, BAY, bay_id, BayGiven)


class RemoveBay(WorkshopRows):
    @extend_schema(operation_id="bays_remove", request=Act, responses=BayShape)
    def post(self, request: Request, bay_id: int) -> Response:
        """Takes a bay away from a workshop, and answers what it was; the plan made next does
        without it.
        """
        return self.removed(request, BAY, bay_id)


class EnterMechanic(WorkshopRows):
    @extend_schema(
        operation_id="mechanics_enter", request=NewMechanicGiven, responses={201: MechanicShape}
    )
    def post(self, request: Request) -> Response:
        """Enters a mechanic of a depot's workshop, with minutes, days of work and skills; the plan
        made next counts on them. A `person` must be one who may record work there.
        """
        return self.entered(request, MECHANIC, NewMechanicGiven)


class CorrectMechanic(WorkshopRows):
    @extend_schema(
        operation_id="mechanics_correct",
        request=MechanicGiven,
        responses=MechanicShape,
        description="Says all of a mechanic anew; what is left out goes back to its default.",
    )
    def post(self, request: Request, mechanic_id: int) -> Response:
        return self.corrected(request, MECHANIC, mechanic_id, MechanicGiven)


class RemoveMechanic(WorkshopRows):
    @extend_schema(
        operation_id="mechanics_remove",
        request=Act,
        responses=MechanicShape,
        description="Takes a mechanic away from a workshop, with the days on which they are away.",
    )
    def post(self, request: Request, mechanic_id: int) -> Response:
        return self.removed(request, MECHANIC, mechanic_id)


class CorrectNeed(WorkshopRows):
    @extend_schema(
        operation_id="service_needs_correct",
        request=NeedGiven,
        responses=NeedShape,
        description="Says anew all that a service asks for; the same at every depot.",
    )
    def post(self, request: Request, need_id: int) -> Response:
        return self.corrected(request, NEED, need_id, NeedGiven)


class RemoveNeed(WorkshopRows):
    @extend_schema(operation_id="service_needs_remove", request=Act, responses=NeedShape)
    def post(self, request: Request, need_id: int) -> Response:
        """Takes away what was said that a service asks for, at every depot, and answers what it
        was.
        """
        return self.removed(request, NEED, need_id)
