"""What the book leaves to decide: figures that checks measure, and products that stand in."""

from http import HTTPStatus
from typing import Any

from django.db.models import Q
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, compartment_named, sender, wrong
from fleet.api.fields import Text, body, query
from fleet.api.orders.records import product_named
from fleet.api.paging import Order, PageQuery, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.rows import Rows
from fleet.due.models import CheckFigure
from fleet.people.roles import Right
from fleet.vehicles.models import Vehicle
from fleet.workorders import fluids_in
from fleet.workorders.models import Job, Substitute

BY_SERVICE = Order("check figures", ("service_id", "slug", "id"))


class FigureQuery(PageQuery):
    vehicle_type = Text(required=False, help_text="Slug")
    service = Text(required=False, help_text="Slug")


class FigureShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle_type = serializers.SlugField()
    service = serializers.SlugField()
    slug = serializers.SlugField()
    name = serializers.CharField()
    unit = serializers.CharField()
    test_method = serializers.CharField()
    pass_from = serializers.FloatField(allow_null=True)
    pass_to = serializers.FloatField(allow_null=True)
    watch_from = serializers.FloatField(allow_null=True)
    watch_to = serializers.FloatField(allow_null=True)
    follows_frost = serializers.BooleanField(
        help_text="Its limits follow the depot's climate; a job card has those of its vehicle"
    )
    watch_months = serializers.IntegerField(help_text="Until the next check, after a watch")
    calls_for = serializers.SlugField(allow_null=True, help_text="Service due at once on a fail")
    source = serializers.CharField()  # type: ignore[assignment]


SHOWN = Rows(CheckFigure, FigureShape, vehicle_type="service__vehicle_type__slug")


class SubstituteGiven(Act):
    vehicle = Text(max_length=40, help_text="Fleet number")
    compartment = Text(max_length=40)
    product = Text(max_length=60, help_text="Slug")
    job = serializers.IntegerField(
        required=False, min_value=1, help_text="Left out: always, for this vehicle type"
    )
    reason = Text(max_length=300)
    source = Text(max_length=300, help_text="What allows it")  # type: ignore[assignment]


class SubstituteShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    compartment = serializers.SlugField()
    product = serializers.SlugField()
    job = serializers.IntegerField(allow_null=True)
    reason = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    person = serializers.CharField()
    approved_at = serializers.DateTimeField()


APPROVED = Rows(Substitute, SubstituteShape)


class CheckFigures(Resource):
    scope = "work-orders"

    @extend_schema(
        operation_id="check_figures_list",
        parameters=[FigureQuery],
        responses=page_shape("CheckFigurePage", FigureShape),
    )
    def get(self, request: Request) -> Response:
        """Figures that checks of services measure, with their limits for pass and watch, and the
        service that a fail calls for.
        """
        asked = query(request, FigureQuery)
        wanted = Q()
        if "vehicle_type" in asked:
            wanted &= Q(service__vehicle_type__slug=asked["vehicle_type"])
        if "service" in asked:
            wanted &= Q(service__slug=asked["service"])
        rows = CheckFigure.objects.filter(wanted)
        return SHOWN.page(request, rows, BY_SERVICE, asked, "service_id")


class Substitutes(Resource):
    """Let a product stand in that the compartment's list does not accept."""

    scope = "work-orders"
    rights = {"POST": Right.APPROVE_SUBSTITUTE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="substitutes_approve",
        request=SubstituteGiven,
        responses={201: SubstituteShape},
    )
    def post(self, request: Request) -> Response:
        given = body(request, SubstituteGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        compartment = compartment_named(vehicle, given["compartment"])
        if compartment is None:
            raise wrong("compartment", "Name a compartment.")
        product, job = product_named(given["product"]), _job(vehicle, given.get("job"))

        def effect() -> Answer:
            row = fluids_in.approve_substitute(
                sender(request, given),
                compartment=compartment,
                product=product,
                reason=given["reason"],
                source=given["source"],
                depot_id=vehicle.depot_id,
                job=job,
            )
            approved = APPROVED.one(Substitute.objects.filter(pk=row.pk))
            return Answer(approved, HTTPStatus.CREATED)

        return once(request, effect)


def _job(vehicle: Vehicle, pk: int | None) -> Job | None:
    if pk is None:
        return None
    found = Job.objects.filter(pk=pk, vehicle=vehicle).first()
    if found is None:
        raise wrong("job", f"{vehicle} has no job {pk}.")
    return found
