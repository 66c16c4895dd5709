"""Usage: how much each meter runs, as measured and as expected."""

from dataclasses import fields
from typing import Any

import numpy as np
from django.db.models import F, Q
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Text, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.resource import Resource
from fleet.api.shapes import instant
from fleet.api.signin import depots_for
from fleet.calc.usage import State, moments
from fleet.usage.models import UsageState
from fleet.vehicles.models import Meter

AHEAD_D = 30.0
BY_METER = Order("usage", ("meter_id",))
STATE_COLUMNS = tuple(item.name for item in fields(State))


class UsageQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)


class UsageRow(serializers.Serializer[Any]):
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    meter = serializers.ChoiceField(Meter.Kind.choices)
    readings = serializers.IntegerField(help_text="Accepted so far")
    first_at = serializers.DateTimeField()
    last_at = serializers.DateTimeField()
    total_km = serializers.FloatField(allow_null=True)
    total_h = serializers.FloatField(allow_null=True)
    expected_km_per_day = serializers.FloatField(
        allow_null=True, help_text="Mean of the 30 days after the last accepted reading"
    )
    expected_h_per_day = serializers.FloatField(allow_null=True)
    provisional = serializers.BooleanField(help_text="Rests on an offset nobody has confirmed")


class Usage(Resource):
    scope = "usage"

    @extend_schema(
        operation_id="usage_list",
        parameters=[UsageQuery],
        responses=page_shape("UsagePage", UsageRow),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, UsageQuery)
        found = UsageState.objects.filter(_chosen(asked), vehicle__depot__in=depots_for(request))
        rows = found.values(
            *STATE_COLUMNS,
            "meter_id",
            "provisional",
            number=F("vehicle__fleet_number"),
            depot=F("vehicle__depot__slug"),
            kind=F("meter__kind"),
        )
        on_page, following = page(request, rows, BY_METER, asked)
        rates = _expected_per_day(on_page)
        return listed([_row(*pair) for pair in zip(on_page, rates, strict=True)], following)


def _chosen(asked: dict[str, Any]) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(vehicle__depot__slug=asked["depot"])
    if "vehicle" in asked:
        wanted &= Q(vehicle__fleet_number__iexact=asked["vehicle"].strip())
    return wanted


def _expected_per_day(rows: Any) -> list[float]:
    if not rows:
        return []
    state = State(*(np.array([row[name] for row in rows]) for name in STATE_COLUMNS))
    mean, _ = moments(state, AHEAD_D)
    rates: list[float] = (mean / AHEAD_D).tolist()
    return rates


def _row(row: dict[str, Any], rate: float) -> dict[str, Any]:
    km = row["kind"] == Meter.Kind.KM
    return {
        "vehicle": row["number"],
        "depot": row["depot"],
        "meter": row["kind"],
        "readings": row["readings"],
        "first_at": instant(row["first_at_d"]),
        "last_at": instant(row["last_at_d"]),
        "total_km": row["last_km"] if km else None,
        "total_h": None if km else row["last_km"],
        "expected_km_per_day": rate if km else None,
        "expected_h_per_day": None if km else rate,
        "provisional": row["provisional"],
    }
