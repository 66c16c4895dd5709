"""The climate of a depot: its months, and taking in a weather service's file of days."""

from dataclasses import asdict
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import sender
from fleet.api.fields import Strict, body
from fleet.api.repeats import Answer, digest, once
from fleet.api.resource import Resource
from fleet.api.stock import depot_or_404
from fleet.duty.climate import MOST_BYTES, take_in_bytes
from fleet.people.roles import Right
from fleet.vehicles.models import ClimateMonth

COLUMNS = ("year", "month", "mean_daily_max_c", "mean_daily_min_c", "source")


class ClimateMonthShape(serializers.Serializer[Any]):
    year = serializers.IntegerField(allow_null=True, help_text="Null: every year")
    month = serializers.IntegerField()
    mean_daily_max_c = serializers.FloatField()
    mean_daily_min_c = serializers.FloatField()
    source = serializers.CharField()  # type: ignore[assignment]


class ClimateAnswer(serializers.Serializer[Any]):
    rows = ClimateMonthShape(many=True, help_text="Newest year first")


class DaysGiven(Strict):
    file = serializers.FileField(
        help_text="A row a day with DATE, TMAX and TMIN, in degrees Celsius or tenths of them"
    )


class MonthToldShape(serializers.Serializer[Any]):
    month = serializers.CharField(help_text="As 2025-03")
    days = serializers.IntegerField(help_text="With both extremes")
    outcome = serializers.ChoiceField(choices=("new", "changed", "unchanged", "refused"))
    mean_daily_max_c = serializers.FloatField(allow_null=True)
    mean_daily_min_c = serializers.FloatField(allow_null=True)
    message = serializers.CharField(help_text="Why a month was refused")


class TakenInShape(serializers.Serializer[Any]):
    source = serializers.CharField(  # type: ignore[assignment]
        help_text="As it stands with each month"
    )
    tenths = serializers.BooleanField(help_text="The file gave tenths of a degree")
    months = MonthToldShape(many=True)


class Climate(Resource):
    scope = "duty"
    rights = {"GET": Right.SEE, "POST": Right.SET_UP}
    repeatable = ("POST",)
    parser_classes = [MultiPartParser]

    @extend_schema(operation_id="climate_list", responses=ClimateAnswer)
    def get(self, request: Request, depot: str) -> Response:
        """What the days of a depot are like by month: mean daily maximum and minimum temperature,
        with the source.
        """
        rows = ClimateMonth.objects.filter(depot=depot_or_404(request, depot))
        return Response({"rows": list(rows.order_by("-year", "month").values(*COLUMNS))})

    @extend_schema(
        operation_id="climate_take_in",
        request={"multipart/form-data": DaysGiven},
        responses=TakenInShape,
        description="Months with fewer than 20 days are refused, the others are kept; duty "
        "classes follow with the next night.",
    )
    def post(self, request: Request, depot: str) -> Response:
        into = depot_or_404(request, depot)
        sender(request, {}).must(Right.SET_UP, into)
        sent = body(request, DaysGiven)["file"]

        def effect() -> Answer:
            return Answer(asdict(take_in_bytes(sent.read(MOST_BYTES + 1), into, sent.name)))

        return once(request, effect, content=[sent.name, digest(sent)])
