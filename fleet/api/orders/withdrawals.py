"""Records and findings taken back, with what followed from them."""

from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import Act, order_id_or_404, rest, sender
from fleet.api.fields import Text, body
from fleet.api.findings import finding_or_404
from fleet.api.orders.records import Recording
from fleet.api.repeats import Answer, once, refreshed
from fleet.api.resource import Resource
from fleet.due.models import CheckResult
from fleet.people.roles import Right
from fleet.workorders import followed, record_kinds, withdraw
from fleet.workorders.models import Finding, WorkOrder
from fleet.workorders.models.records import Record


class WithdrawGiven(Act):
    reason = Text(max_length=300)
    also = serializers.ListField(
        child=Text(max_length=40),
        max_length=50,
        default=list,
        help_text="Keys of what followed from it (GET here) and is taken back with it",
    )


class FollowedShape(serializers.Serializer[Any]):
    key = serializers.CharField()
    words = serializers.CharField()
    goes_with_it = serializers.BooleanField(help_text="Without being asked")
    only = serializers.ListField(
        child=serializers.CharField(), help_text="Who alone may take it back; empty: you may"
    )


class Withdrawal(Recording):
    """Take a record back; the row stays, with who took it back, when and why."""

    rights = {"GET": Right.SEE, "POST": Right.RECORD_WORK}

    @extend_schema(operation_id="work_orders_what_followed", responses=FollowedShape(many=True))
    def get(self, request: Request, number: str, kind: str, record_id: int) -> Response:
        """What followed from a record, and may be taken back with it."""
        record = _record(order_id_or_404(request, number), kind, record_id)
        return Response(offered(record))

    @extend_schema(operation_id="work_orders_withdraw", request=WithdrawGiven,
                   responses={204: None})  # fmt: skip
    def post(self, request: Request, number: str, kind: str, record_id: int) -> Response:
        order_id = order_id_or_404(request, number)
        record = _record(order_id, kind, record_id)
        given = body(request, WithdrawGiven)

        def effect() -> Answer:
            actor, more = sender(request, given), rest(given)
            if isinstance(record, Finding):
                withdraw.withdraw_finding(actor, record, **more)
            else:
                withdraw.withdraw(actor, order_id, record, **more)
            return Answer(None, HTTPStatus.NO_CONTENT)

        def afterwards(answer: Answer) -> Answer:
            vehicles = WorkOrder.objects.filter(pk=order_id).values_list("vehicle", flat=True)
            chain.refresh(list(vehicles), timezone.now())
            return answer

        return once(request, effect, afterwards)


def offered(record: object) -> list[dict[str, Any]]:
    return [{**asdict(one), "only": [str(who) for who in one.only]} for one in followed.of(record)]


def _record(order_id: int, kind: str, record_id: int) -> Record | CheckResult:
    order = WorkOrder.objects.get(pk=order_id)
    found = record_kinds.record_of(order, kind, record_id) if kind in record_kinds.MANY else None
    if found is None:
        raise NotFound(f"This order has no such record; kinds are {', '.join(record_kinds.MANY)}.")
    return found


class WithdrawFinding(Resource):
    """Take back a finding that was none; the row stays."""

    scope = "findings"
    rights = {"GET": Right.SEE, "POST": Right.RECORD_WORK}
    repeatable = ("POST",)

    @extend_schema(operation_id="findings_what_followed", responses=FollowedShape(many=True))
    def get(self, request: Request, finding_id: int) -> Response:
        """What followed from a finding, and may be taken back with it."""
        return Response(offered(finding_or_404(request, finding_id)))

    @extend_schema(operation_id="findings_withdraw", request=WithdrawGiven, responses={204: None})
    def post(self, request: Request, finding_id: int) -> Response:
        found = finding_or_404(request, finding_id)
        given = body(request, WithdrawGiven)

        def effect() -> Answer:
            withdraw.withdraw_finding(sender(request, given), found, **rest(given))
            return Answer(None, HTTPStatus.NO_CONTENT)

        return once(request, effect, refreshed(found.vehicle_id))
