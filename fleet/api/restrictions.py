"""Restrictions that stand on vehicles, and lifting one."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import sender
from fleet.api.fields import body, query
from fleet.api.findings import MarkQuery, of_vehicles
from fleet.api.orders.actions import ReasonGiven
from fleet.api.paging import Order, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.rows import Rows
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.workorders import restrictions
from fleet.workorders.models import Restriction

NEWEST_FIRST = Order("restrictions", ("id",), descending=True)


class RestrictionShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    order = serializers.CharField(allow_null=True, help_text="Number; at whose finish it was set")
    text = serializers.CharField()
    set_by = serializers.CharField(allow_null=True)
    set_at = serializers.DateTimeField()
    lifted_by = serializers.CharField(allow_null=True)
    lifted_at = serializers.DateTimeField(allow_null=True)
    lifted_reason = serializers.CharField()


SHOWN = Rows(Restriction, RestrictionShape)


class Restrictions(Resource):
    scope = "findings"

    @extend_schema(
        operation_id="restrictions_list",
        parameters=[MarkQuery],
        responses=page_shape("RestrictionPage", RestrictionShape),
    )
    def get(self, request: Request) -> Response:
        """Restrictions that stand on the use of vehicles, newest first."""
        asked = query(request, MarkQuery)
        standing = restrictions.in_force().filter(vehicle__depot__in=depots_for(request))
        return SHOWN.page(request, standing.filter(of_vehicles(asked)), NEWEST_FIRST, asked)


class LiftRestriction(Resource):
    scope = "findings"
    rights = {"POST": Right.CLEAR_DO_NOT_USE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="restrictions_lift", request=ReasonGiven, responses=RestrictionShape
    )
    def post(self, request: Request, restriction_id: int) -> Response:
        """Lifts a restriction, with the reason. Refused where it was lifted already."""
        one_or_404(
            _seen(request).filter(pk=restriction_id),
            f"There is no restriction {restriction_id} within your depots.",
        )
        given = body(request, ReasonGiven)

        def effect() -> Answer:
            restrictions.lift(sender(request, given), restriction_id, reason=given["reason"])
            return Answer(SHOWN.one(_seen(request).filter(pk=restriction_id)))

        return once(request, effect)


def _seen(request: Request) -> Any:
    return Restriction.objects.filter(vehicle__depot__in=depots_for(request))
