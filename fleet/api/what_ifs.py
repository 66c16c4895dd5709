"""What if: a list of changes in, both years out; worked out in the background."""

from functools import partial
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import jobs
from fleet.api.etags import shown
from fleet.api.fields import Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.people.roles import Right
from fleet.whatif import ask, listing
from fleet.whatif.models import WhatIf
from fleet.whatif.rows import ChangesRefused

NEWEST_FIRST = Order("what-ifs", ("id",), descending=True)


class ChangeGiven(Strict):
    what = Text(max_length=200, help_text="A kind of change, such as limit km or add vehicles")
    which = Text(max_length=200, help_text="What it is about, as */engine-oil or V-101@coast")
    value = Text(
        max_length=200, required=False, allow_blank=True, help_text="As 20000, -5000, +10 %, x 0.5"
    )

    def get_fields(self) -> dict[str, Any]:
        """With ``from``, which Python keeps for itself."""
        day = Text(max_length=20, required=False, allow_blank=True, help_text="Empty: today")
        return {**super().get_fields(), "from": day}


class WhatIfGiven(Strict):
    title = Text(max_length=200, required=False, allow_blank=True)
    changes = ChangeGiven(many=True, allow_empty=False)


class WhatIfShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    title = serializers.CharField()
    changes = serializers.ListField(child=serializers.DictField())
    person = serializers.CharField(allow_null=True, help_text="Empty: by command")
    asked_at = serializers.DateTimeField()
    state = serializers.ChoiceField(choices=WhatIf.State.choices)
    share = serializers.FloatField(help_text="Of the work that is done, 0 to 1")
    at = serializers.CharField(help_text="What is being done")
    as_of_on = serializers.DateField(allow_null=True, help_text="First of the days followed")
    error = serializers.CharField(help_text="Why it failed, and what to do")
    finished_at = serializers.DateTimeField(allow_null=True)


class OneWhatIfShape(WhatIfShape):
    result = serializers.DictField(
        help_text="Once done: answer, months, measures (hours, days, minor units), depots, items, "
        "plans, notes; each figure as it is today, changed, their difference, and the ends of four "
        "in five differences"
    )


SHOWN = Rows(WhatIf, WhatIfShape)
ONE = Rows(WhatIf, OneWhatIfShape)


class WhatIfs(Resource):
    scope = "what-ifs"
    rights = {"GET": Right.ASK_WHAT_IF, "POST": Right.ASK_WHAT_IF}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="what_ifs_list",
        parameters=[PageQuery],
        responses=page_shape("WhatIfPage", WhatIfShape),
    )
    def get(self, request: Request) -> Response:
        """Questions of What if about your depots and no other, newest first."""
        found = listing.seen_with(depots_for(request))
        return SHOWN.page(request, found, NEWEST_FIRST, query(request, PageQuery))

    @extend_schema(
        operation_id="what_ifs_ask",
        request=WhatIfGiven,
        responses={202: WhatIfShape},
        description="Worked out from now on, follow Location; nothing of the fleet is changed.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, WhatIfGiven)

        def effect() -> Answer:
            asked = _asked(request, given)
            transaction.on_commit(partial(jobs.send, jobs.answer_what_if, asked.pk))
            row = SHOWN.one(WhatIf.objects.filter(pk=asked.pk))
            return Answer(row, HTTPStatus.ACCEPTED, reverse("api-what-if", args=[asked.pk]))

        return once(request, effect)


def _asked(request: Request, given: dict[str, Any]) -> WhatIf:
    try:
        return ask.ask(
            given["changes"],
            list(depots_for(request).order_by("slug")),
            timezone.now(),
            person=caller(request),
            channel="api",
            title=given.get("title", ""),
        )
    except ChangesRefused as refused:
        faults: list[dict[str, list[str]]] = [{} for _ in given["changes"]]
        for one in refused.faults:
            faults[one.row - 1][one.field] = [f"{one.text}."]
        raise ValidationError({"changes": faults}, code="fault") from refused


class OneWhatIf(Resource):
    scope = "what-ifs"
    rights = {"GET": Right.ASK_WHAT_IF, "DELETE": Right.ASK_WHAT_IF}

    @extend_schema(operation_id="what_ifs_one", responses=OneWhatIfShape)
    def get(self, request: Request, asked_id: int) -> Response:
        """One question of What if: how far it is worked out and, once done, its answer."""
        asked = _or_404(request, asked_id)
        response: Response = shown(request, ONE.one(WhatIf.objects.filter(pk=asked.pk)))
        return response

    @extend_schema(operation_id="what_ifs_delete", responses={204: None})
    def delete(self, request: Request, asked_id: int) -> Response:
        """Deletes a question and its answer; one that is being worked on ends soon after. Only a
        supervisor deletes what somebody else asked.
        """
        ask.delete(_or_404(request, asked_id), caller(request))
        return Response(status=HTTPStatus.NO_CONTENT)


def _or_404(request: Request, asked_id: int) -> WhatIf:
    return one_or_404(
        listing.seen_with(depots_for(request)).filter(pk=asked_id),
        f"There is no question {asked_id} about your depots alone.",
    )
