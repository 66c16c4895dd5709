"""Readings: the list by verdict, one, and the settling of a held one."""

from typing import Any

from django.db.models import F, Q, QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.etags import require_match, shown, tag
from fleet.api.fields import Number, Strict, Text, body, query
from fleet.api.many_readings import BulkAnswer, BulkGiven, add_bulk
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.signin import caller, depots_for
from fleet.people.roles import Right
from fleet.readings import listing
from fleet.readings.beside import Beside, Neighbour, beside
from fleet.readings.models import OPEN, Reading, ReadingDecision, Source, Verdict
from fleet.readings.other_days import WORDS, OtherDay, other_days
from fleet.readings.reasons import sentence
from fleet.readings.settle import settle
from fleet.vehicles.models import Meter
from fleet.vehicles.own_unit import in_own

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
    meter_unit = serializers.CharField(help_text="What the instrument shows: km, mi or h")
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


class NeighbourShape(serializers.Serializer[Any]):
    taken_at = serializers.DateTimeField()
    value = serializers.FloatField(help_text="In `unit`, as the instrument shows it")


class MeantShape(serializers.Serializer[Any]):
    value = serializers.FloatField(help_text="In `unit`; send it as `value` to take it")
    off = serializers.FloatField(help_text="From what is expected, in `unit`")
    reason = serializers.CharField(help_text="A code")
    message = serializers.CharField(help_text="The reason in words")


class OtherDayShape(serializers.Serializer[Any]):
    on = serializers.DateField(help_text="At the depot")
    reason = serializers.CharField(help_text="A code: day_and_month or year")
    message = serializers.CharField(help_text="The reason in words")


class BesideShape(serializers.Serializer[Any]):
    unit = serializers.CharField(help_text="What the vehicle's own meter shows: km, mi or h")
    last = NeighbourShape(allow_null=True, help_text="The accepted reading before it")
    next = NeighbourShape(allow_null=True, help_text="The accepted reading after it")
    expected = serializers.FloatField(allow_null=True, help_text="In `unit`")
    likely_from = serializers.FloatField(allow_null=True, help_text="A value is as expected from")
    likely_to = serializers.FloatField(allow_null=True, help_text="to these, in `unit`")
    candidates = MeantShape(
        many=True, help_text="What may have been meant and is as expected, likeliest first"
    )
    other_days = OtherDayShape(
        many=True, help_text="On which the value would be as expected; correct it at its row"
    )


class OneReadingShape(ReadingShape):
    beside = BesideShape(allow_null=True, help_text="Of one held or rejected, to decide by")


class SettleGiven(Strict):
    action = serializers.ChoiceField(ReadingDecision.Action.choices)
    reason = Text(max_length=300)
    value = Number(required=False, help_text="Meter value meant, when known")
    unit = serializers.ChoiceField(
        ("km", "mi", "h"), required=False, help_text="Of `value`; else km, or h of an hours meter"
    )
    override_reason = Text(
        max_length=300, required=False, help_text="Why a value stands that was asked about"
    )


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
        """Meter readings with their verdicts, last stored first; of one held or rejected also what
        was meant, probably.
        """
        asked = query(request, ReadingQuery)
        found = listing.readings_at(depots_for(request), asked.get("verdict") or None)
        rows = _values(found.filter(_chosen(asked)))
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        looked = beside([row["id"] for row in on_page if row["verdict"] in OPEN])
        return listed([_row(row, looked.get(row["id"])) for row in on_page], following)

    @extend_schema(operation_id="readings_add", request=BulkGiven, responses=BulkAnswer)
    def post(self, request: Request) -> Response:
        """Stores many readings and judges them; usage and due dates follow at once. A row that
        cannot be stored stops no other: each has its own outcome.
        """
        return add_bulk(request)


class OneReading(Resource):
    scope = "readings"

    @extend_schema(operation_id="readings_one", responses=OneReadingShape)
    def get(self, request: Request, reading_id: int) -> Response:
        """One reading with its verdict; of one held or rejected also its neighbours and what may
        have been meant.
        """
        response: Response = shown(request, reading_or_404(request, reading_id))
        return response


class Settle(Resource):
    scope = "readings"
    rights = {"POST": Right.SETTLE_READINGS}
    repeatable = conditional = ("POST",)

    @extend_schema(operation_id="readings_settle", request=SettleGiven, responses=OneReadingShape)
    def post(self, request: Request, reading_id: int) -> Response:
        """Decides about a reading: accept, take another value, reject, or a meter that was
        replaced. Its meter is judged again and due dates follow; a value that does not fit its
        neighbours is asked about.
        """
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
                unit=given.get("unit"),
                override_reason=given.get("override_reason", ""),
                channel="api",
            )
            return Answer(reading_or_404(request, reading_id))

        def afterwards(answer: Answer) -> Answer:
            chain.refresh([_vehicle_id(reading_id)], timezone.now())
            return Answer(reading_or_404(request, reading_id))

        response = once(request, effect, afterwards)
        response["ETag"] = tag(reading_or_404(request, reading_id))
        return response


def reading_or_404(request: Request, reading_id: int) -> dict[str, Any]:
    row = one_or_404(
        _values(listing.readings_at(depots_for(request)).filter(pk=reading_id)),
        f"There is no reading {reading_id} within your depots.",
    )
    its = beside([reading_id]).get(reading_id) if row["verdict"] in OPEN else None
    if its is None:
        return {**_row(row, its), "beside": None}
    days = other_days({reading_id: its}).get(reading_id, [])
    return {**_row(row, its), "beside": _beside(its, days)}


def _beside(its: Beside, days: list[OtherDay]) -> dict[str, Any]:
    def own(value: float | None) -> float | None:
        return None if value is None else round(in_own(value, its.unit), 3)

    def neighbour(one: Neighbour | None) -> dict[str, Any] | None:
        return None if one is None else {"taken_at": one.taken_at, "value": own(one.value)}

    return {
        "unit": its.unit,
        "last": neighbour(its.before),
        "next": neighbour(its.after),
        "expected": own(its.expected),
        "likely_from": own(its.likely and its.likely[0]),
        "likely_to": own(its.likely and its.likely[1]),
        "candidates": [
            {
                "value": own(one.value),
                "off": own(one.value - (its.expected or 0)),
                "reason": one.reason,
                "message": sentence(one.reason),
            }
            for one in its.candidates
        ],
        "other_days": [
            {"on": one.on, "reason": one.slip, "message": f"{WORDS[one.slip]}."} for one in days
        ],
    }


def _vehicle_id(reading_id: int) -> int:
    return int(Reading.objects.values_list("vehicle_id", flat=True).get(pk=reading_id))


def _values(found: QuerySet[Reading]) -> Any:
    return found.values(
        *COLUMNS,
        "total",
        "suggestion",
        number=F("vehicle__fleet_number"),
        depot=F("vehicle__depot__slug"),
        kind=F("meter__kind"),
        meter_unit=F("meter__unit"),
    )


def _chosen(asked: dict[str, Any]) -> Q:
    wanted = Q()
    if "depot" in asked:
        wanted &= Q(vehicle__depot__slug=asked["depot"])
    if "vehicle" in asked:
        meters = Meter.objects.filter(vehicle__fleet_number__iexact=asked["vehicle"].strip())
        wanted &= Q(meter__in=meters)
    return wanted


def _row(row: dict[str, Any], its: Beside | None = None) -> dict[str, Any]:
    """A reading; where the next one shows it to be a slip, with that reason and suggestion."""
    km = row["kind"] == Meter.Kind.KM
    reason = its.reason if its else row["reason"]
    suggestion = its.suggestion if its else row["suggestion"]
    by_next = its is not None and its.shown_by_next
    return {
        **{name: row[name] for name in COLUMNS},
        "vehicle": row["number"],
        "depot": row["depot"],
        "meter": row["kind"],
        "meter_unit": row["meter_unit"],
        "total_km": row["total"] if km else None,
        "total_h": None if km else row["total"],
        "reason": reason,
        "probability": None if by_next else row["probability"],
        "suggestion_km": suggestion if km else None,
        "suggestion_h": None if km else suggestion,
        "message": sentence(reason, suggestion, row["meter_unit"], shown_by_next=by_next),
    }
