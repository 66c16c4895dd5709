"""Calibration: how often this fleet's dates came true, as last scored."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.resource import Resource
from fleet.due import backtest
from fleet.due.models import GuardFactor

PARTS = ("distance", "horizon", "by_readings", "pit")


class CalibrationShape(serializers.Serializer[Any]):
    as_of = serializers.DateField(allow_null=True, help_text="Empty: nothing scored yet")
    distance = serializers.JSONField(help_text="Figures by distance ahead [km]")
    horizon = serializers.JSONField(help_text="Figures by days ahead")
    by_readings = serializers.JSONField(help_text="By number of readings behind a forecast")
    pit = serializers.JSONField(help_text="Share of outcomes in each twentieth of their forecast")
    guard_factor = serializers.FloatField(help_text="Bands are widened by so much; 1 is not at all")


class Calibration(Resource):
    scope = "due-dates"

    @extend_schema(operation_id="calibration", responses=CalibrationShape)
    def get(self, request: Request) -> Response:
        stored = backtest.newest()
        guard = GuardFactor.objects.order_by("month_end_on").last()
        result = stored.result if stored else {}
        return Response(
            {
                "as_of": stored.as_of_on if stored else None,
                **{name: result.get(name, {}) for name in PARTS},
                "guard_factor": guard.factor if guard else 1.0,
            }
        )
