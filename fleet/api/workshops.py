"""What is entered about workshops: bays, mechanics, who is away, what services ask for."""

from collections.abc import Callable
from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, sender
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.plans import DepotQuery, depots_asked
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.api.workshop_rows import NEED, NeedShape, NewNeedGiven, WorkshopRows
from fleet.people.roles import Right
from fleet.visits import set_up
from fleet.visits.models import Absence, BlockedDays, Mechanic
from fleet.visits.workshop_data import (
    AwayRow,
    BlockedRow,
    WorkshopRow,
    absences_of,
    away_row,
    blocked_row,
    need_rows,
    workshop_rows,
)

WorkshopShape = shape_of(WorkshopRow)


class WorkshopsAnswer(serializers.Serializer[Any]):
    rows = WorkshopShape(many=True)


class NeedsAnswer(serializers.Serializer[Any]):
    rows = NeedShape(many=True)


class Workshops(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="workshops_list",
        parameters=[DepotQuery],
        responses=WorkshopsAnswer,
        description="What each depot's plan rests on: opening, costs, bays, mechanics with minutes "
        "and skills, who and what is away, closed and blocked days, how many of a type can be "
        "spared. Days that are over are left out. `entered` false: nobody said what the workshop "
        "is like, and the usual figures stand. Bays, mechanics, absences and blocked days are "
        "entered here too, the rest on the set-up pages and by workbook.",
    )
    def get(self, request: Request) -> Response:
        depots = depots_asked(request, query(request, DepotQuery))
        return Response({"rows": [asdict(row) for row in workshop_rows(depots, timezone.now())]})


class ServiceNeeds(WorkshopRows):
    rights = {"GET": Right.SEE, "POST": Right.SET_UP}

    @extend_schema(
        operation_id="service_needs_list",
        responses=NeedsAnswer,
        description="Services that ask for a skill or for a second person, with their minutes by "
        "the book; the same at every depot.",
    )
    def get(self, request: Request) -> Response:
        return Response({"rows": [asdict(row) for row in need_rows()]})

    @extend_schema(
        operation_id="service_needs_enter", request=NewNeedGiven, responses={201: NeedShape}
    )
    def post(self, request: Request) -> Response:
        """Says what a service of a vehicle type asks for, skills or minutes of a second person, at
        every depot. Refused where that was said before: correct it instead.
        """
        return self.entered(request, NEED, NewNeedGiven)


# --- days without a mechanic, a vehicle or visits --------------------------------------------
AwayShape, BlockedShape = shape_of(AwayRow), shape_of(BlockedRow)


class DaysGiven(Strict):
    from_on = Day(help_text="The first day")
    until_on = Day(help_text="The last day")


class AbsenceGiven(DaysGiven):
    mechanic = serializers.IntegerField(required=False, help_text="Its id in `workshops`; or")
    vehicle = Text(max_length=40, required=False, help_text="Fleet number")
    reason = Text(max_length=200, allow_blank=True, default="")


class BlockedGiven(DaysGiven):
    depot = Text(max_length=40)
    reason = Text(max_length=200)


class Absences(Resource):
    scope = "visits"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="absences_enter",
        request=AbsenceGiven,
        responses={201: AwayShape},
        description="A mechanic who is not there, or a vehicle that cannot come; the plan made "
        "next keeps these days free.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, AbsenceGiven)
        if ("mechanic" in given) == ("vehicle" in given):
            raise serializers.ValidationError("Name a mechanic or a vehicle.", code="who")
        number = given.pop("vehicle", None)
        who = _mechanic(request, given) if number is None else vehicle_or_404(request, number)
        field = "vehicle" if number is not None else "mechanic"
        row = Absence(**{**given, field: who})

        def effect() -> Answer:
            set_up.enter(sender(request, {}), row)
            return Answer(asdict(away_row(row)), HTTPStatus.CREATED)

        return once(request, effect)


class BlockedDaysList(Resource):
    scope = "visits"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="blocked_days_enter",
        request=BlockedGiven,
        responses={201: BlockedShape},
        description="Days on which a depot is open and plans no visit.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, BlockedGiven)
        depot = one_or_404(
            depots_for(request).filter(slug=given.pop("depot")),
            "There is no such depot among yours.",
        )
        row = BlockedDays(depot=depot, **given)

        def effect() -> Answer:
            set_up.enter(sender(request, {}), row)
            return Answer(asdict(blocked_row(row)), HTTPStatus.CREATED)

        return once(request, effect)


class RemoveAbsence(Resource):
    scope = "visits"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    @extend_schema(operation_id="absences_remove", request=Act, responses=AwayShape)
    def post(self, request: Request, absence_id: int) -> Response:
        """Takes an absence of a mechanic or a vehicle away again, and answers what it was; the plan
        made next may use these days.
        """
        rows = absences_of(depots_for(request)).filter(pk=absence_id)
        return _remove(request, rows, away_row, f"There is no absence {absence_id}")


class RemoveBlockedDays(Resource):
    scope = "visits"
    rights = {"POST": Right.SET_UP}
    repeatable = ("POST",)

    @extend_schema(operation_id="blocked_days_remove", request=Act, responses=BlockedShape)
    def post(self, request: Request, blocked_id: int) -> Response:
        """Takes blocked days of a depot away again, and answers what they were; the plan made next
        may put visits on them.
        """
        rows = BlockedDays.objects.filter(depot__in=depots_for(request), pk=blocked_id)
        return _remove(request, rows, blocked_row, f"There are no blocked days {blocked_id}")


def _remove(
    request: Request, rows: QuerySet[Any], told: Callable[[Any], Any], missing: str
) -> Response:
    """Take the one of some rows away, and answer what it was."""
    body(request, Act)

    def effect() -> Answer:
        row = one_or_404(rows, f"{missing} within your depots.")
        was = asdict(told(row))
        set_up.remove(sender(request, {}), row)
        return Answer(was)

    return once(request, effect)


def _mechanic(request: Request, given: dict[str, Any]) -> Mechanic:
    pk = given.pop("mechanic")
    return one_or_404(
        Mechanic.objects.filter(depot__in=depots_for(request), pk=pk),
        f"There is no mechanic {pk} within your depots.",
    )
