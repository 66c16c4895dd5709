"""Fluids that are chosen for single vehicles: by a supervisor, or by a field trial."""

from http import HTTPStatus
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, compartment_named, sender, wrong
from fleet.api.fields import Day, Text, body, query
from fleet.api.findings import MarkQuery, of_vehicles
from fleet.api.orders.records import product_named
from fleet.api.paging import Order, Row, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.due.models import ChosenFluid
from fleet.people.roles import Right
from fleet.today import oldest_day, today_at
from fleet.trials.listing import shown_choices
from fleet.vehicles.models import Vehicle
from fleet.workorders import fluid_for

NEWEST_FIRST = Order("chosen fluids", ("id",), descending=True)


class ChosenFluidGiven(Act):
    vehicle = Text(max_length=40, help_text="Fleet number")
    compartment = Text(max_length=40)
    product = Text(max_length=60, help_text="Slug; one that the compartment accepts")
    because = Text(max_length=300)
    source = Text(max_length=300, help_text="Who or what says so")  # type: ignore[assignment]
    from_on = Day(required=False, help_text="By default today")
    until_on = Day(required=False, help_text="Its last day; left out: until it is ended")


class ChoiceEnded(Act):
    reason = Text(max_length=300)
    on = Day(required=False, help_text="The first day without it; by default today")


class ChosenFluidShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    compartment = serializers.SlugField()
    product = serializers.SlugField()
    because = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    from_on = serializers.DateField()
    until_on = serializers.DateField(allow_null=True, help_text="Null: until it is ended")
    person = serializers.CharField(allow_null=True)
    chosen_at = serializers.DateTimeField()
    ended_by = serializers.CharField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    ended_reason = serializers.CharField()


SHOWN = Rows(ChosenFluid, ChosenFluidShape)


class ChosenFluids(Resource):
    """What single vehicles are to get, before any other rule."""

    scope = "work-orders"
    rights = {"GET": Right.SEE, "POST": Right.APPROVE_SUBSTITUTE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="chosen_fluids_list",
        parameters=[MarkQuery],
        responses=page_shape("ChosenFluidPage", ChosenFluidShape),
        description="Those that stand or are to come; to raters of a blinded trial without its.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, MarkQuery)
        now, depots = timezone.now(), depots_for(request)
        own = Vehicle.objects.filter(depot__in=depots).values_list("pk", flat=True)
        today = oldest_day([depot.zone for depot in depots], now)
        standing = fluid_for.standing_choices(own, today).filter(of_vehicles(asked))
        rows = shown_choices(standing, caller(request), own, now)
        return SHOWN.page(request, rows, NEWEST_FIRST, asked)

    @extend_schema(
        operation_id="chosen_fluids_choose",
        request=ChosenFluidGiven,
        responses={201: ChosenFluidShape},
    )
    def post(self, request: Request) -> Response:
        """Say what a vehicle is to get; its card, its stock and its demand follow."""
        given = body(request, ChosenFluidGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        compartment = compartment_named(vehicle, given["compartment"])
        if compartment is None:
            raise wrong("compartment", "Name a compartment.")
        product, actor = product_named(given["product"]), sender(request, given)

        def effect() -> Answer:
            row = fluid_for.choose_by_hand(
                actor,
                vehicle=vehicle,
                compartment=compartment,
                product=product,
                because=given["because"],
                source=given["source"],
                from_on=given.get("from_on") or today_at(vehicle.depot.zone, actor.at),
                until_on=given.get("until_on"),
            )
            return Answer(_one(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class EndChosenFluid(Resource):
    scope = "work-orders"
    rights = {"POST": Right.APPROVE_SUBSTITUTE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="chosen_fluids_end", request=ChoiceEnded, responses=ChosenFluidShape
    )
    def post(self, request: Request, chosen_id: int) -> Response:
        """End a choice; what was filled in under it stays as it was recorded."""
        seen = ChosenFluid.objects.filter(vehicle__depot__in=depots_for(request))
        row = one_or_404(
            seen.select_related("vehicle__depot", "product").filter(pk=chosen_id),
            f"There is no chosen fluid {chosen_id} within your depots.",
        )
        given = body(request, ChoiceEnded)
        actor = sender(request, given)

        def effect() -> Answer:
            on = given.get("on") or today_at(row.vehicle.depot.zone, actor.at)
            fluid_for.end_by_hand(actor, row, on=on, reason=given["reason"])
            return Answer(_one(row.pk))

        return once(request, effect)


def _one(pk: int) -> Row:
    return SHOWN.one(ChosenFluid.objects.filter(pk=pk))
