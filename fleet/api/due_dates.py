"""Due dates: soonest first, as JSON by pages or whole as CSV; and why one stands where it does."""

from collections.abc import Iterator
from dataclasses import asdict
from datetime import date
from typing import Any

from django.http import HttpResponseBase
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Day, Text, query
from fleet.api.paging import Order, PageQuery, listed, page_shape, position, split
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.shapes import DUE_KEYS, DueShape, shape_of
from fleet.api.signin import caller, depots_for
from fleet.api.tables import CSVRenderer, csv_response
from fleet.due.explain import explain
from fleet.due.listing import STATES, DueFilter, DueRow, due_rows
from fleet.due.models import BindingLimit, Service
from fleet.due.split import Part
from fleet.duty.models import DutyClass
from fleet.faults import Fault
from fleet.tables import csv_line
from fleet.trials.blind import hidden_from
from fleet.workorders.restrictions import texts

SOONEST_FIRST = Order("due dates", ("sort_on", "vehicle_id", "service_id"))
CSV_ROWS_AT_ONCE = 5_000


class DueQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)
    service = Text(required=False)
    state = serializers.MultipleChoiceField(choices=STATES, required=False)
    until = Day(required=False, help_text="Expected on this day or before")


PartShape = shape_of(Part)


class DueDateShape(DueShape):
    restrictions = serializers.ListField(
        child=serializers.CharField(), help_text="That stand on the vehicle; see `restrictions`"
    )


class ExplanationShape(serializers.Serializer[Any]):
    vehicle = serializers.CharField(help_text="Fleet number")
    service = serializers.SlugField()
    state = serializers.ChoiceField(choices=STATES)
    p10 = serializers.DateField(allow_null=True)
    p50 = serializers.DateField(allow_null=True)
    p90 = serializers.DateField(allow_null=True)
    binding_limit = serializers.ChoiceField(choices=BindingLimit.choices)
    binding_probability = serializers.FloatField(allow_null=True)
    duty_class = serializers.ChoiceField(choices=DutyClass.choices)
    life_by_class = PartShape(many=True, help_text="Since it was last done, in order of time")
    lines = serializers.ListField(child=serializers.CharField(), help_text="In words")


TOLD = tuple(ExplanationShape().fields)


class DueDates(Resource):
    scope = "due-dates"
    renderer_classes = [JSONRenderer, CSVRenderer]

    @extend_schema(
        operation_id="due_dates_list",
        parameters=[DueQuery],
        responses={
            (200, "application/json"): page_shape("DuePage", DueDateShape),
            (200, "text/csv"): OpenApiTypes.STR,
        },
    )
    def get(self, request: Request) -> HttpResponseBase:
        """When each service of each vehicle falls due and how sure that is, soonest first: by pages
        as JSON, or whole as CSV.
        """
        asked = query(request, DueQuery)
        wanted = _wanted(request, asked)
        if request.accepted_renderer.format == "csv":
            return csv_response("due-dates", _lines(wanted))
        after = _after(asked)
        found = due_rows(wanted, after=after, limit=asked["limit"] + 1)
        stands = texts({row.vehicle_id for row in found})
        rows = [asdict(row) for row in found]
        on_page, following = split(request, SOONEST_FIRST, rows, asked["limit"])
        told = [
            {
                **{key: row[key] for key in DUE_KEYS},
                "restrictions": stands.get(row["vehicle_id"], []),
            }
            for row in on_page
        ]
        return listed(told, following)


class Explanation(Resource):
    scope = "due-dates"

    @extend_schema(operation_id="due_dates_explanation", responses=ExplanationShape)
    def get(self, request: Request, fleet_number: str, service: str) -> Response:
        """Why a service of a vehicle is due when it is, in words, with the life used in each duty
        class since it was last done.
        """
        vehicle = vehicle_or_404(request, fleet_number)
        own = one_or_404(
            Service.objects.filter(vehicle_type=vehicle.vehicle_type_id, slug=service),
            f"{vehicle} has no service {service[:40]}.",
        )
        try:
            now = timezone.now()
            hidden = (vehicle.pk, own.compartment_id) in hidden_from(
                caller(request), [vehicle.pk], now
            )
            told = explain(vehicle, own, now, hide_fluid=hidden)
        except Fault as fault:
            raise NotFound(str(fault)) from fault
        parts = [asdict(part) for part in told.life_by_class]
        shown = {name: getattr(told, name) for name in TOLD}
        return Response({**shown, "life_by_class": parts})


def _wanted(request: Request, asked: dict[str, Any]) -> DueFilter:
    depots = depots_for(request)
    if "depot" in asked:
        depots = depots.filter(slug=asked["depot"])
    return DueFilter(
        depots=depots.values_list("slug", flat=True),  # asked for within the same statement
        vehicle=asked.get("vehicle"),
        service=asked.get("service"),
        states=asked.get("state") or None,
        until=asked.get("until"),
    )


def _after(asked: dict[str, Any]) -> tuple[date, int, int] | None:
    key = position(SOONEST_FIRST.name, asked, len(SOONEST_FIRST.columns))
    return None if key is None else (date.fromisoformat(key[0]), key[1], key[2])


def _lines(wanted: DueFilter) -> Iterator[str]:
    yield csv_line([*DUE_KEYS, "restrictions"])
    after = None
    while rows := due_rows(wanted, after=after, limit=CSV_ROWS_AT_ONCE):
        stands = texts({row.vehicle_id for row in rows})
        yield "".join(
            csv_line(
                [
                    *(getattr(row, key) for key in DUE_KEYS),
                    "; ".join(stands.get(row.vehicle_id, [])),
                ]
            )
            for row in rows
        )
        after = _key(rows[-1])


def _key(row: DueRow) -> tuple[date, int, int]:
    return row.sort_on, row.vehicle_id, row.service_id
