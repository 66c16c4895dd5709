"""Usage: how much each meter runs, as measured and as expected."""

from dataclasses import fields
from typing import Any

import numpy as np
from django.db.models import F
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Text, query
from fleet.api.findings import of_vehicles
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.resource import Resource
from fleet.api.shapes import instant
from fleet.api.signin import depots_for
from fleet.calc.level_paths import moments_ahead
from fleet.calc.usage import State, law
from fleet.usage.measure import running_again_d, standing_since_d
from fleet.usage.models import UsageState
from fleet.usage.seasons import days_ahead
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
    unit = serializers.CharField(help_text="What the instrument shows: km, mi or h")
    readings = serializers.IntegerField(help_text="Accepted so far")
    first_at = serializers.DateTimeField()
    last_at = serializers.DateTimeField()
    total_km = serializers.FloatField(allow_null=True)
    total_h = serializers.FloatField(allow_null=True)
    expected_km_per_day = serializers.FloatField(
        allow_null=True, help_text="Mean of the 30 days after the last accepted reading"
    )
    expected_h_per_day = serializers.FloatField(allow_null=True)
    standing_since = serializers.DateTimeField(
        allow_null=True, help_text="Since when it has hardly moved; dates assume it may stand on"
    )
    running_again_since = serializers.DateTimeField(
        allow_null=True, help_text="Of one that stood: dates follow with the next readings"
    )
    provisional = serializers.BooleanField(help_text="Rests on an offset nobody has confirmed")


class Usage(Resource):
    scope = "usage"

    @extend_schema(
        operation_id="usage_list",
        parameters=[UsageQuery],
        responses=page_shape("UsagePage", UsageRow),
    )
    def get(self, request: Request) -> Response:
        """How much each meter runs: its total as last accepted, what is expected a day, and since
        when it stands.
        """
        asked = query(request, UsageQuery)
        found = UsageState.objects.filter(
            of_vehicles(asked), vehicle__depot__in=depots_for(request)
        )
        rows = found.values(
            *STATE_COLUMNS,
            "meter_id",
            "season_id",
            "provisional",
            number=F("vehicle__fleet_number"),
            depot=F("vehicle__depot__slug"),
            kind=F("meter__kind"),
            unit=F("meter__unit"),
        )
        on_page, following = page(request, rows, BY_METER, asked)
        return listed(_rows(on_page), following)


def _rows(rows: Any) -> list[dict[str, Any]]:
    if not rows:
        return []
    state = State(*(np.array([row[name] for row in rows]) for name in STATE_COLUMNS))
    season_id = np.array([row["season_id"] for row in rows], dtype=np.float64)
    mean, _ = moments_ahead(law(state), days_ahead(state.last_at_d, AHEAD_D, season_id))
    again_d = running_again_d(state)
    since_d = np.where(np.isnan(again_d), standing_since_d(state, season_id), np.nan)
    each = zip(rows, (mean / AHEAD_D).tolist(), since_d.tolist(), again_d.tolist(), strict=True)
    return [_row(*parts) for parts in each]


def _row(row: dict[str, Any], rate: float, since_d: float, again_d: float) -> dict[str, Any]:
    km = row["kind"] == Meter.Kind.KM
    return {
        "vehicle": row["number"],
        "depot": row["depot"],
        "meter": row["kind"],
        "unit": row["unit"],
        "readings": row["readings"],
        "first_at": instant(row["first_at_d"]),
        "last_at": instant(row["last_at_d"]),
        "total_km": row["last_km"] if km else None,
        "total_h": None if km else row["last_km"],
        "expected_km_per_day": rate if km else None,
        "expected_h_per_day": None if km else rate,
        "standing_since": None if np.isnan(since_d) else instant(since_d),
        "running_again_since": None if np.isnan(again_d) else instant(again_d),
        "provisional": row["provisional"],
    }
