"""Loads of the fleet workbook: listed, what withdrawing one would do, and withdrawn.

A workbook speaks of the whole fleet, so a call that does not reach every depot finds no load.
"""

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.people.roles import Right
from fleet.workbook import withdraw
from fleet.workbook.models import Load
from fleet.workbook.sent import may_load
from fleet.workbook.withdraw import Withdrawn

NEWEST_FIRST = Order("loads", ("id",), descending=True)
ROWS_TOLD = 1_000  # of what goes, and of what stays; our choice


class LoadShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField(help_text="Of the file")
    person = serializers.CharField(allow_null=True, help_text="Empty: by command")
    loaded_at = serializers.DateTimeField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_by = serializers.CharField(allow_null=True)
    withdrawn_why = serializers.CharField()
    drafts_cancelled = serializers.IntegerField(
        help_text="Orders drafted since the load and cancelled in the nights after it was "
        "withdrawn: nothing asked for them any more"
    )


class BookRowShape(serializers.Serializer[Any]):
    sheet = serializers.CharField()
    row = serializers.IntegerField(
        help_text="As the spreadsheet numbers it; 0: it follows from another"
    )
    key = serializers.CharField(help_text="By what the sheet tells its rows apart")
    what = serializers.CharField(help_text="What becomes of it, or why it stays")


class OneLoadShape(LoadShape):
    rows_added = serializers.IntegerField()
    rows_changed = serializers.IntegerField()
    stays = BookRowShape(many=True, help_text="Once withdrawn: rows that stay; the first 1,000")


class WithdrawnShape(serializers.Serializer[Any]):
    load = serializers.IntegerField()
    restored = serializers.IntegerField(help_text="Rows as they were before the load")
    removed = serializers.IntegerField(help_text="Rows that the load had added")
    stay = serializers.IntegerField(help_text="Rows that stay")
    goes = BookRowShape(many=True, help_text="The first 1,000")
    stays = BookRowShape(many=True, help_text="The first 1,000")
    seen = serializers.CharField(help_text="Mark of all this: send it along to withdraw just this")


class WithdrawLoadGiven(Strict):
    reason = Text(max_length=300, help_text="Why, in your words; kept with it")
    seen = Text(
        max_length=40,
        required=False,
        help_text="The mark of what was seen before: if it would do something else by now, "
        "nothing is done",
    )


SHOWN = Rows(Load, LoadShape, drafts_cancelled="drafts")


class Loads(Resource):
    scope = "workbook"
    rights = {"GET": Right.SET_UP}

    @extend_schema(
        operation_id="loads_list",
        parameters=[PageQuery],
        responses=page_shape("LoadPage", LoadShape),
    )
    def get(self, request: Request) -> Response:
        """Loads of the fleet workbook, newest first. A call that does not reach every depot finds
        none.
        """
        return SHOWN.page(request, _seen(request), NEWEST_FIRST, query(request, PageQuery))


class OneLoad(Resource):
    scope = "workbook"
    rights = {"GET": Right.SET_UP}

    @extend_schema(operation_id="loads_one", responses=OneLoadShape)
    def get(self, request: Request, load_id: int) -> Response:
        """One load of the workbook: how many rows it added and changed and, once withdrawn, which
        stayed.
        """
        load = _load_or_404(request, load_id)
        added, changed = load.count_written()
        return Response(
            {
                **SHOWN.one(Load.objects.filter(pk=load.pk)),
                "rows_added": added,
                "rows_changed": changed,
                "stays": _rows(load.stays),
            }
        )


class LoadForeseen(Resource):
    """What withdrawing a load would do; nothing is done."""

    scope = "workbook"
    rights = {"GET": Right.SET_UP}

    @extend_schema(operation_id="loads_withdrawal", responses=WithdrawnShape)
    def get(self, request: Request, load_id: int) -> Response:
        load = _load_or_404(request, load_id)
        return Response(_told(load, withdraw.foreseen(load, now=timezone.now())))


class WithdrawLoad(Resource):
    """Take a load back as far as nothing came since."""

    scope = "workbook"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="loads_withdraw", request=WithdrawLoadGiven, responses=WithdrawnShape
    )
    def post(self, request: Request, load_id: int) -> Response:
        load = _load_or_404(request, load_id)
        given = body(request, WithdrawLoadGiven)

        def effect() -> Answer:
            found = withdraw.withdraw(
                load,
                person=caller(request),
                reason=given["reason"],
                now=timezone.now(),
                seen=given.get("seen", ""),
            )
            return Answer(_told(load, found))

        return once(request, effect)


def _seen(request: Request) -> QuerySet[Load]:
    whole = may_load(caller(request), depots_for(request))
    return Load.objects.all() if whole else Load.objects.none()


def _load_or_404(request: Request, load_id: int) -> Load:
    return one_or_404(
        _seen(request).filter(pk=load_id),
        f"There is no load {load_id}, or your depots are not the whole fleet.",
    )


def _told(load: Load, found: Withdrawn) -> dict[str, Any]:
    return {
        "load": load.pk,
        "restored": found.restored,
        "removed": found.removed,
        "stay": len(found.stays),
        "goes": _rows(found.goes),
        "stays": _rows(found.stays),
        "seen": found.mark,
    }


def _rows(told: Sequence[Sequence[Any]]) -> list[dict[str, Any]]:
    names = ("sheet", "row", "key", "what")
    return [dict(zip(names, one, strict=True)) for one in told[:ROWS_TOLD]]
