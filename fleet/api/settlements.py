"""Settlements: what was decided about readings in one act, listed and withdrawn."""

from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.fields import Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.people.roles import Right
from fleet.readings import listing, unsettle
from fleet.readings.models import ReadingDecision

NEWEST_FIRST = Order("settlements", ("id",), descending=True)


class SettlementShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    action = serializers.ChoiceField(ReadingDecision.Action.choices)
    reason = serializers.CharField()
    person = serializers.CharField(allow_null=True)
    decided_at = serializers.DateTimeField()
    readings = serializers.ListField(child=serializers.IntegerField(), help_text="Their ids")
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_why = serializers.CharField(allow_null=True)
    drafts_cancelled = serializers.IntegerField(
        allow_null=True, help_text="Orders that rested on what was withdrawn"
    )


SHOWN = Rows(
    ReadingDecision,
    SettlementShape,
    readings="",
    withdrawn_at="withdrawal__withdrawn_at",
    withdrawn_by="withdrawal__person__username",
    withdrawn_why="withdrawal__reason",
    drafts_cancelled="withdrawal__drafts",
)


class WithdrawSettlementGiven(Strict):
    reason = Text(max_length=300, help_text="Why, in your words; kept with it")


class Settlements(Resource):
    scope = "readings"

    @extend_schema(
        operation_id="settlements_list",
        parameters=[PageQuery],
        responses=page_shape("SettlementPage", SettlementShape),
    )
    def get(self, request: Request) -> Response:
        """What people decided about readings, one row for each act, newest first, and whether it
        was withdrawn.
        """
        rows = SHOWN.values(_seen(request))
        on_page, following = page(request, rows, NEWEST_FIRST, query(request, PageQuery))
        return listed(_with_readings([SHOWN.row(row) for row in on_page]), following)


class WithdrawSettlement(Resource):
    """Take back all that was decided in one act; its readings are judged as if nobody had."""

    scope = "readings"
    rights = {"POST": Right.SETTLE_READINGS}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="settlements_withdraw",
        request=WithdrawSettlementGiven,
        responses=SettlementShape,
    )
    def post(self, request: Request, settlement_id: int) -> Response:
        found = _seen(request).filter(pk=settlement_id)
        first = one_or_404(found, f"There is no settlement {settlement_id} within your depots.")
        given = body(request, WithdrawSettlementGiven)

        def effect() -> Answer:
            unsettle.withdraw(
                first,
                person=caller(request),
                reason=given["reason"],
                channel="api",
                now=timezone.now(),
            )
            return _answer(found)

        def afterwards(_: Answer) -> Answer:
            chain.follow_withdrawn()
            return _answer(found)

        return once(request, effect, afterwards)


def _seen(request: Request) -> QuerySet[ReadingDecision]:
    return listing.settlements(depots_for(request))


def _answer(found: QuerySet[ReadingDecision]) -> Answer:
    return Answer(_with_readings([SHOWN.one(found)])[0])


def _with_readings(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    about = listing.readings_of_acts([row["id"] for row in rows])
    return [{**row, "readings": about[row["id"]]} for row in rows]
