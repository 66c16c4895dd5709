"""Cost per 1,000 km by vehicle, service, depot or duty class, from what was recorded."""

from collections.abc import Iterator
from dataclasses import asdict
from datetime import date
from typing import Any

from django.conf import settings
from django.http import HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Day, Strict, Text, query
from fleet.api.resource import Resource
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for, today_for
from fleet.api.tables import CSVRenderer, csv_response
from fleet.calc.costs import Cost
from fleet.tables import csv_line
from fleet.workorders.costs import BY, YEAR, CostLine, costs, without_order


class CostQuery(Strict):
    by = serializers.ChoiceField(BY, default="vehicle")
    depot = Text(max_length=40, required=False)
    from_on = Day(required=False, help_text="By default a year before until_on")
    until_on = Day(required=False, help_text="By default today")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        until_on = attrs.get("until_on") or today_for(self.context["request"])
        from_on = attrs.get("from_on", until_on - min(YEAR, until_on - date.min))
        if from_on > until_on:
            raise serializers.ValidationError("from_on lies after until_on.", code="order")
        return {**attrs, "from_on": from_on, "until_on": until_on}


class CostShape(shape_of(Cost)):  # type: ignore[misc]
    name = serializers.CharField(help_text="Fleet number, service, depot or duty class")


class CostAnswer(serializers.Serializer[Any]):
    by = serializers.ChoiceField(BY)
    from_on = serializers.DateField()
    until_on = serializers.DateField()
    currency = serializers.CharField(help_text="ISO 4217; amounts are net, in its minor units")
    services_without_order = serializers.IntegerField(
        help_text="Recorded as done without a work order: nobody knows what they cost"
    )
    rows = CostShape(many=True, help_text="The dearest first")


class Costs(Resource):
    scope = "evidence"
    renderer_classes = [JSONRenderer, CSVRenderer]

    @extend_schema(
        operation_id="costs_list",
        parameters=[CostQuery],
        responses={(200, "application/json"): CostAnswer, (200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request) -> HttpResponseBase:
        """Cost per 1,000 km of vehicles, services, depots or duty classes over a time, from what
        was recorded, the dearest first.
        """
        asked = query(request, CostQuery)
        depots = depots_for(request)
        if "depot" in asked:
            depots = depots.filter(slug=asked["depot"])
        span = {"from_on": asked["from_on"], "until_on": asked["until_on"]}
        found = costs([depot.pk for depot in depots], by=asked["by"], **span)
        rows = [_row(line) for line in found]
        if request.accepted_renderer.format == "csv":
            return csv_response("costs", _lines(rows))
        said = {"by": asked["by"], **span, "currency": settings.CURRENCY}
        lacking = without_order([depot.pk for depot in depots], **span)
        return Response({**said, "services_without_order": lacking, "rows": rows})


def _row(line: CostLine) -> dict[str, Any]:
    return {"name": line.name, **asdict(line.cost)}


def _lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    names = ["name", *(name for name in CostShape().fields if name != "name")]
    yield csv_line(names)
    for row in rows:
        cells = {**row, "missing": "; ".join(row["missing"])}
        yield csv_line([cells[name] for name in names])
