"""Runs: the ledger of jobs, and the night asked for by hand."""

from datetime import date
from functools import partial
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import jobs
from fleet.api.errors import Problem
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.runs.ledger import NIGHT, ask_for, newest_night, standing
from fleet.runs.models import Run

NEWEST_FIRST = Order("runs", ("on", "id"), descending=True)
STATES = [*Run.State.choices, ("lost", "lost")]
COLUMNS = (
    *("id", "job", "on", "part", "attempts", "counts", "progress_share", "error"),
    *("created_at", "started_at", "finished_at"),
)


class RunQuery(PageQuery):
    job = Text(required=False)


class RunShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    job = serializers.CharField()
    on = serializers.DateField()
    part = serializers.CharField(help_text="Of a night: the time zone of its depots")
    state = serializers.ChoiceField(choices=STATES, help_text="lost: begun, and given up since")
    attempts = serializers.IntegerField()
    counts = serializers.DictField()
    progress_share = serializers.FloatField(help_text="0 to 1")
    error = serializers.CharField()
    created_at = serializers.DateTimeField()
    started_at = serializers.DateTimeField(allow_null=True)
    finished_at = serializers.DateTimeField(allow_null=True)


class NightGiven(Strict):
    on = Day(required=False, help_text="Default: the newest night that has come")


class NightAnswer(serializers.Serializer[Any]):
    rows = RunShape(many=True, help_text="One for each time zone of your depots")


class Runs(Resource):
    scope = "runs"

    @extend_schema(
        operation_id="runs_list", parameters=[RunQuery], responses=page_shape("RunPage", RunShape)
    )
    def get(self, request: Request) -> Response:
        """Work that the program did or is to do by itself, such as the night, newest first: how far
        it is, what it counted, why it failed.
        """
        asked = query(request, RunQuery)
        wanted = Q(job=asked["job"]) if "job" in asked else Q()
        rows = Run.objects.filter(wanted).values(*COLUMNS, "state", "lease_until")
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        return listed([_row(Run(**row)) for row in on_page], following)


class Night(Resource):
    scope = "runs"
    rights = {"POST": Right.RUN_NIGHT}
    repeatable = ("POST",)

    @extend_schema(operation_id="runs_night", request=NightGiven, responses={202: NightAnswer})
    def post(self, request: Request) -> Response:
        """Asks for a night of your depots, by default the newest that has come. One that is done is
        not done again, one that has not come is refused.
        """
        given = body(request, NightGiven)
        zones = sorted(set(depots_for(request).values_list("zone", flat=True)))

        def effect() -> Answer:
            runs = [_asked(zone, given.get("on")) for zone in zones]
            return Answer({"rows": [_row(run) for run in runs]}, HTTPStatus.ACCEPTED)

        return once(request, effect)


def _asked(zone: str, on: date | None) -> Run:
    newest = newest_night(timezone.now(), zone)
    night_on = on or newest
    if night_on > newest:
        raise Problem(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            "not_yet",
            f"The night of {night_on} has not come in {zone}: the newest is {newest}.",
        )
    run = ask_for(NIGHT, night_on, zone)
    transaction.on_commit(partial(jobs.send, jobs.night, night_on.isoformat(), zone))
    return run


def _row(run: Run) -> dict[str, Any]:
    shown = {name: getattr(run, name) for name in COLUMNS}
    return {**shown, "state": standing(run, timezone.now())}
