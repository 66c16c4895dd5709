"""Readings: the list by verdict, one, and the settling of a held one."""

from typing import Any

from django.db.models import F, Q
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.conditions import require_match, shown, tag
from fleet.api.entries import BulkAnswer, BulkGiven, add_bulk
from fleet.api.fields import Number, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.api.signin import caller, depots_for
from fleet.people.roles import Right
from fleet.readings.models import Reading, ReadingDecision, Source, Verdict
from fleet.readings.reasons import sentence
from fleet.readings.settle import settle
from fleet.vehicles.models import Meter

NEWEST_FIRST = Order("readings", ("id",), descending=True)
COLUMNS = (
    *("id", "taken_at", "time_known", "value", "unit", "source", "note", "received_at"),
    *("verdict", "reason", "probability", "provisional"),
)


class ReadingQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)
    verdict = serializers.MultipleChoiceField(choices=Verdict.choices, required=False)


class ReadingShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    meter = serializers.ChoiceField(Meter.Kind.choices)
    taken_at = serializers.DateTimeField()
    time_known = serializers.BooleanField(help_text="False: 12:00 stands for the day")
    value = serializers.FloatField(help_text="As given, in `unit`")
    unit = serializers.CharField(help_text="As given: km, mi or h")
    source = serializers.ChoiceField(Source.choices)  # type: ignore[assignment]
    note = serializers.CharField()
    received_at = serializers.DateTimeField()
    total_km = serializers.FloatField(allow_null=True, help_text="With the meter's offset")
    total_h = serializers.FloatField(allow_null=True)
    verdict = serializers.ChoiceField(Verdict.choices)
    reason = serializers.CharField(help_text="A code")
    message = serializers.CharField(help_text="The reason in words")
    suggestion_km = serializers.FloatField(allow_null=True, help_text="Meter value meant, probably")
    suggestion_h = serializers.FloatField(allow_null=True)
    probability = serializers.FloatField(allow_null=True, help_text="Of the reason")
    provisional = serializers.BooleanField(help_text="Rests on an offset nobody has confirmed")


class SettleGiven(Strict):
    action = serializers.ChoiceField(ReadingDecision.Action.choices)
    reason = Text(max_length=300)
    value = Number(required=False, help_text="Meter value meant, in km (or h), when known")


class Readings(Resource):
    scope = "readings"
    rights = {"GET": Right.SEE, "POST": Right.ADD_READINGS}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="readings_list",
        parameters=[ReadingQuery],
        responses=page_shape("ReadingPage", ReadingShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, ReadingQuery)
        rows = _rows(request).filter(_chosen(asked))
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        return listed([_row(row) for row in on_page], following)

    @extend_schema(operation_id="readings_add", request=BulkGiven, responses=BulkAnswer)
    def post(self, request: Request) -> Response:
        return add_bulk(request)


class OneReading(Resource):
    scope = "readings"

    @extend_schema(operation_id="readings_one", responses=ReadingShape)
    def get(self, request: Request, reading_id: int) -> Response:
        response: Response = shown(request, reading_or_404(request, reading_id))
        return response


class Settle(Resource):
    scope = "readings"
    rights = {"POST": Right.SETTLE_READINGS}
    repeatable = conditional = ("POST",)

    @extend_schema(operation_id="readings_settle", request=SettleGiven, responses=ReadingShape)
    def post(self, request: Request, reading_id: int) -> Response:
        reading_or_404(request, reading_id)
        given = body(request, SettleGiven)

        def effect() -> Answer:
            reading = Reading.objects.select_for_update(of=("self",)).get(pk=reading_id)
            require_match(request, reading_or_404(request, reading_id))
            settle(
                reading_id=reading.pk,
                action=given["action"],
                person=caller(request),
                reason=given["reason"],
                value=given.get("value"),
                channel="api",
            )
            return Answer(reading_or_404(request, reading_id))

        def then(answer: Answer) -> Answer:
            chain.refresh([_vehicle_id(reading_id)], timezone.now())
            return Answer(reading_or_404(request, reading_id))

        response = once(request, effect, then)
        response["ETag"] = tag(reading_or_404(request, reading_id))
        return response


def reading_or_404(request: Request, reading_id: int) -> dict[str, Any]:
    row = _rows(request).filter(pk=reading_id).first()
    if row is None:
        raise NotFound(f"There is no reading {reading_id} within your depots.")
    return _row(row)


def _vehicle_id(reading_id: int) -> int:
    return int(Reading.objects.values_list("vehicle_id", flat=True).get(pk=reading_id))


def _rows(request: Request) -> Any:
    return Reading.objects.filter(vehicle__depot__in=depots_for(request)).values(
        *COLUMNS,
        "total",
        "suggestion",
        number=F("vehicle__fleet_number"),
        depot=F("vehicle__depot__slug"),
        kind=F("meter__kind"),
    )


def _chosen(asked: dict[str, Any]) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(vehicle__depot__slug=asked["depot"])
    if "vehicle" in asked:
        meters = Meter.objects.filter(vehicle__fleet_number__iexact=asked["vehicle"].strip())
        wanted &= Q(meter__in=meters)
    if asked.get("verdict"):
        wanted &= Q(verdict__in=asked["verdict"])
    return wanted


def _row(row: dict[str, Any]) -> dict[str, Any]:
    km = row["kind"] == Meter.Kind.KM
    return {
        **{name: row[name] for name in COLUMNS},
        "vehicle": row["number"],
        "depot": row["depot"],
        "meter": row["kind"],
        "total_km": row["total"] if km else None,
        "total_h": None if km else row["total"],
        "suggestion_km": row["suggestion"] if km else None,
        "suggestion_h": None if km else row["suggestion"],
        "message": sentence(row["reason"], row["suggestion"], row["unit"]),
    }
