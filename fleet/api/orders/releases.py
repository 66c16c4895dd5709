"""Release many drafted orders at once: each is released or says why not."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, as_number, sender
from fleet.api.errors import code_of
from fleet.api.fields import Strict, Text, body
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.api.signin import depots_for
from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.visits import order_days
from fleet.workorders.models import WorkOrder

MOST_AT_ONCE = 500  # a week of a large depot; our choice
NOT_FOUND = "not_found"

Row = dict[str, Any]


class Chosen(Strict):
    number = Text(max_length=20)
    version = serializers.IntegerField(min_value=1, max_value=2**31 - 1, help_text="As it was seen")


class ReleaseGiven(Act):
    orders = Chosen(many=True, allow_empty=False, max_length=MOST_AT_ONCE)  # type: ignore[call-arg]
    override_reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Answers what is asked about a day that is only proposed or cannot be kept, and "
        "about work that is far from due",
    )

    def validate_orders(self, orders: list[Row]) -> list[Row]:
        numbers = [as_number(one["number"]) for one in orders]
        if len(set(numbers)) < len(numbers):
            raise serializers.ValidationError("Name each order once.", code="twice")
        return orders


class ReleaseOutcomeShape(serializers.Serializer[Any]):
    number = serializers.CharField()
    released = serializers.BooleanField()
    version = serializers.IntegerField(allow_null=True, help_text="Null: there is no such order")
    code = serializers.CharField(help_text="Empty where it was released")
    detail = serializers.CharField()


class ReleasedShape(serializers.Serializer[Any]):
    released = serializers.IntegerField(help_text="How many were")
    rows = ReleaseOutcomeShape(many=True, help_text="As they were sent")


class Releases(Resource):
    """The versions stand in the body, since the change is about many orders."""

    scope = "work-orders"
    rights = {"POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="work_orders_release_many", request=ReleaseGiven, responses=ReleasedShape
    )
    def post(self, request: Request) -> Response:
        given = body(request, ReleaseGiven)
        chosen = {as_number(one["number"]): one["version"] for one in given["orders"]}

        def effect() -> Answer:
            seen = WorkOrder.objects.filter(depot__in=depots_for(request), number__in=chosen)
            ids = dict(seen.values_list("number", "pk"))
            versions = {pk: chosen[number] for number, pk in ids.items()}
            found = order_days.release_many(
                sender(request, given), versions, given["override_reason"]
            )
            now = dict(seen.values_list("number", "version"))
            rows = [_outcome(number, now.get(number), found.get(ids.get(number, 0), UNKNOWN))
                    for number in chosen]  # fmt: skip
            return Answer({"released": sum(row["released"] for row in rows), "rows": rows})

        return once(request, effect)


UNKNOWN = Fault("There is no such work order within your depots.")


def _outcome(number: str, version: int | None, refusal: Fault | None) -> Row:
    code = "" if refusal is None else NOT_FOUND if refusal is UNKNOWN else code_of(refusal)
    return {
        "number": number,
        "released": refusal is None,
        "version": version,
        "code": code,
        "detail": str(refusal or ""),
    }
