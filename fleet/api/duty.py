"""Duty classes with the evidence behind them, and a supervisor's own decision."""

from http import HTTPStatus
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import sender
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.findings import of_vehicles
from fleet.api.paging import Order, PageQuery, page_shape
from fleet.api.repeats import Answer, once, refreshed
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.rows import Rows
from fleet.api.signin import depots_for
from fleet.due.back_date import decide
from fleet.duty import listing
from fleet.duty.models import DutyAssessment, DutyClass, DutyOverride
from fleet.people.roles import Right
from fleet.vehicles.models import Compartment, Vehicle

NEWEST_FIRST = Order("duty", ("id",), descending=True)
OVERRIDES = Order("duty overrides", ("id",), descending=True)


class DutyQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)
    duty_class = serializers.ChoiceField(DutyClass.choices, required=False)


class DutyRow(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    compartment = serializers.SlugField()
    from_on = serializers.DateField()
    duty_class = serializers.ChoiceField(DutyClass.choices)
    evidence = serializers.JSONField(help_text="Every exposure and what it was measured on")


SHOWN = Rows(DutyAssessment, DutyRow, depot="vehicle__depot__slug")


class OverrideGiven(Strict):
    vehicle = Text(max_length=40)
    compartment = Text(max_length=40)
    duty_class = serializers.ChoiceField(DutyClass.choices)
    from_on = Day()
    until_on = Day()
    reason = Text(max_length=300)
    override_reason = Text(
        max_length=200,
        allow_blank=True,
        default="",
        help_text="Why it may move days that are over, when it begins before today",
    )


class OverrideRow(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    compartment = serializers.SlugField()
    duty_class = serializers.ChoiceField(DutyClass.choices)
    from_on = serializers.DateField()
    until_on = serializers.DateField()
    reason = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    created_at = serializers.DateTimeField()


SHOWN_OVERRIDES = Rows(DutyOverride, OverrideRow)


class Duty(Resource):
    scope = "duty"

    @extend_schema(
        operation_id="duty_list", parameters=[DutyQuery], responses=page_shape("DutyPage", DutyRow)
    )
    def get(self, request: Request) -> Response:
        """Duty classes as assessed for the compartments of vehicles, newest first, with the
        evidence.
        """
        asked = query(request, DutyQuery)
        found = listing.assessments_at(depots_for(request), asked.get("duty_class"))
        return SHOWN.page(request, found.filter(of_vehicles(asked)), NEWEST_FIRST, asked)


class Overrides(Resource):
    scope = "duty"
    rights = {"GET": Right.SEE, "POST": Right.SET_DUTY}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="duty_overrides_list",
        parameters=[DutyQuery],
        responses=page_shape("OverridePage", OverrideRow),
    )
    def get(self, request: Request) -> Response:
        """Duty classes that people decided on for a time, newest first."""
        asked = query(request, DutyQuery)
        found = listing.overrides_at(depots_for(request), asked.get("duty_class"))
        return SHOWN_OVERRIDES.page(request, found.filter(of_vehicles(asked)), OVERRIDES, asked)

    @extend_schema(
        operation_id="duty_overrides_add", request=OverrideGiven, responses={201: OverrideRow}
    )
    def post(self, request: Request) -> Response:
        """Decides on the duty class of a compartment for a time; due dates follow at once. The same
        first day again replaces what was decided; days that are over and would move are asked
        about.
        """
        given = body(request, OverrideGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        compartment = _compartment(vehicle, given["compartment"])

        def effect() -> Answer:
            made = decide(
                sender(request, {}),
                vehicle=vehicle,
                compartment=compartment,
                duty_class=given["duty_class"],
                from_on=given["from_on"],
                until_on=given["until_on"],
                reason=given["reason"],
                override_reason=given["override_reason"],
            )
            row = SHOWN_OVERRIDES.one(DutyOverride.objects.filter(pk=made.pk))
            return Answer(row, HTTPStatus.CREATED)

        return once(request, effect, refreshed(vehicle.pk))


def _compartment(vehicle: Vehicle, slug: str) -> Compartment:
    compartment = vehicle.vehicle_type.compartments.filter(slug=slug).first()
    if compartment is None:
        wrong = f"{vehicle} has no compartment {slug}."
        raise serializers.ValidationError({"compartment": [wrong]}, code="unknown")
    return compartment
