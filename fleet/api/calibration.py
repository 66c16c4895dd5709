"""Calibration: how often this fleet's dates came true, as last scored."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.resource import Resource
from fleet.due import widening
from fleet.hindcast import backtest

# Classes are left out: they name depots, and a person sees only some of them.
PARTS = ("distance", "horizon", "by_readings", "pit")


class CalibrationShape(serializers.Serializer[Any]):
    as_of = serializers.DateField(allow_null=True, help_text="Empty: nothing scored yet")
    vehicles = serializers.IntegerField(help_text="Vehicles whose past was replayed")
    forecasts = serializers.IntegerField(help_text="Forecasts scored")
    distance = serializers.DictField(help_text="Figures by distance ahead [km]")
    horizon = serializers.DictField(help_text="Figures by days ahead")
    by_readings = serializers.DictField(help_text="By number of readings behind a forecast")
    pit = serializers.DictField(help_text="Share of outcomes in each twentieth of their forecast")
    guard_factor = serializers.FloatField(help_text="Bands are widened by so much; 1 is not at all")
    guard_since = serializers.DateField(allow_null=True, help_text="Empty: never widened")


class Calibration(Resource):
    scope = "due-dates"

    @extend_schema(operation_id="calibration", responses=CalibrationShape)
    def get(self, request: Request) -> Response:
        """How often due dates came true when the fleet's past was replayed, and by how much their
        bands are widened now. Figures are of the whole fleet.
        """
        stored = backtest.newest()
        result = stored.result if stored else {}
        found = widening.newest()
        return Response(
            {
                "as_of": stored.as_of_on if stored else None,
                "vehicles": result.get("vehicles", 0),
                "forecasts": result.get("forecasts", 0),
                **{part: result.get(part, {}) for part in PARTS},
                "guard_factor": found.factor if found else 1.0,
                "guard_since": found.month_end_on if found else None,
            }
        )
