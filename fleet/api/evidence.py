"""Evidence: every service of a vehicle against its schedule, and the share done on time."""

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from django.http import HttpResponseBase
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Day, Strict, Text, query
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import caller, depots_for, today_for
from fleet.api.tables import CSVRenderer, csv_response
from fleet.due.listing import DueFilter, due_rows
from fleet.tables import csv_line
from fleet.trials.blind import vehicle_shown
from fleet.workorders import evidence, restrictions
from fleet.workorders.evidence import OnTime, PackLine
from fleet.workorders.evidence_words import KINDS

LINE_COLUMNS = (*("service", "done_on", "total_km", "due_on", "deviation", "evidence", "source"),)
FACT_COLUMNS = (
    *("limit", "limit_source", "duty_class", "tolerance_until_on", "procedure_edition"),
    *("procedure_source", "odometer", "odometer_unit", "odometer_verdict", "done_by"),
)

PackLineShape = shape_of(PackLine)


class PackShape(serializers.Serializer[Any]):
    vehicle = serializers.CharField(help_text="Fleet number")
    rows = PackLineShape(many=True, help_text="Oldest first")
    restrictions = serializers.ListField(child=serializers.CharField(), help_text="Standing now")


class OnTimeQuery(Strict):
    depot = Text(required=False)
    from_on = Day(required=False, help_text="By default the first of January")
    until_on = Day(required=False, help_text="By default today")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        until_on = attrs.get("until_on") or today_for(self.context["request"])
        from_on = attrs.get("from_on", until_on.replace(month=1, day=1))
        if from_on > until_on:
            raise serializers.ValidationError("from_on lies after until_on.", code="order")
        return {**attrs, "from_on": from_on, "until_on": until_on}


class MonthShape(shape_of(OnTime)):  # type: ignore[misc]
    share_within_tolerance = serializers.FloatField(help_text="0 to 1")
    share_within_limit = serializers.FloatField(help_text="0 to 1")


class OverdueShape(serializers.Serializer[Any]):
    vehicle = serializers.CharField(help_text="Fleet number")
    service = serializers.SlugField()
    since_on = serializers.DateField()


class OnTimeShape(serializers.Serializer[Any]):
    from_on = serializers.DateField()
    until_on = serializers.DateField()
    rows = MonthShape(many=True, help_text="By month; a month in which nothing was done is absent")
    overdue = OverdueShape(many=True, help_text="Not done: what is overdue today, oldest first")


class EvidencePack(Resource):
    """Every service of a vehicle as it was done; a deviation from the schedule is named."""

    scope = "evidence"
    renderer_classes = [JSONRenderer, CSVRenderer]

    @extend_schema(
        operation_id="evidence_pack",
        responses={(200, "application/json"): PackShape, (200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request, fleet_number: str) -> HttpResponseBase:
        vehicle = vehicle_or_404(request, fleet_number)
        vehicle_shown(caller(request), vehicle.pk, "the evidence", timezone.now())
        lines = evidence.pack(vehicle.pk)
        if request.accepted_renderer.format == "csv":
            return csv_response(f"evidence-{vehicle.pk}", _csv(lines))
        standing = restrictions.texts([vehicle.pk]).get(vehicle.pk, [])
        rows = [asdict(row) for row in lines]
        shown = {"vehicle": vehicle.fleet_number, "rows": rows, "restrictions": standing}
        return Response(shown)


class OnTimeShare(Resource):
    scope = "evidence"
    renderer_classes = [JSONRenderer, CSVRenderer]

    @extend_schema(
        operation_id="evidence_on_time",
        parameters=[OnTimeQuery],
        responses={(200, "application/json"): OnTimeShape, (200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request) -> HttpResponseBase:
        """Share of services done in time by month, from the evidence frozen with them, and beside
        it what is overdue today. CSV has the months only.
        """
        asked = query(request, OnTimeQuery)
        depots = depots_for(request)
        if "depot" in asked:
            depots = depots.filter(slug=asked["depot"])
        span = asked["from_on"], asked["until_on"]
        months = evidence.on_time(list(depots.values_list("pk", flat=True)), *span)
        rows = [_month(row) for row in months]
        if request.accepted_renderer.format == "csv":
            return csv_response("on-time", _month_lines(rows))
        overdue = due_rows(
            DueFilter(depots=depots.values_list("slug", flat=True), states=["overdue"])
        )
        beside = [
            {"vehicle": row.vehicle, "service": row.service, "since_on": row.p50} for row in overdue
        ]
        answer = {"from_on": span[0], "until_on": span[1], "rows": rows, "overdue": beside}
        return Response(answer)


def _month(row: OnTime) -> dict[str, Any]:
    return {
        **asdict(row),
        "share_within_tolerance": row.within_tolerance / row.done,
        "share_within_limit": row.within_limit / row.done,
    }


def _month_lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    names = list(MonthShape().fields)
    yield csv_line(names)
    yield from (csv_line([row[name] for name in names]) for row in rows)


def _csv(lines: list[PackLine]) -> Iterator[str]:
    yield csv_line([*LINE_COLUMNS, *FACT_COLUMNS, *KINDS])
    for line in lines:
        own = [getattr(line, name) for name in LINE_COLUMNS]
        facts = [line.facts.get(name) for name in FACT_COLUMNS]
        yield csv_line([*own, *facts, *("; ".join(line.words[kind]) for kind in KINDS)])
