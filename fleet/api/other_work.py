"""Other work on vehicles: an inspection, a recall, tyres, what a finding asks for."""

from collections.abc import Callable
from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, sender
from fleet.api.fields import Day, Text, body, query
from fleet.api.findings import MarkQuery, of_vehicles
from fleet.api.paging import Order, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.visits import other_work
from fleet.visits.models import OtherWork
from fleet.visits.other_work import LONGEST_MIN, Given
from fleet.visits.work_rows import WorkRow, of_depots, work_rows

NEWEST_FIRST = Order("other-work", ("id",), descending=True)
WorkShape = shape_of(WorkRow)


class WorkQuery(MarkQuery):
    ended = serializers.BooleanField(default=False, help_text="`true`: also what has ended")


class WorkGiven(Act):
    kind = serializers.ChoiceField(OtherWork.Kind.choices)
    title = Text(max_length=120, help_text="What is to be done, in words")
    minutes = serializers.IntegerField(min_value=1, max_value=LONGEST_MIN, help_text="Of work")
    number = Text(max_length=40, allow_blank=True, default="", help_text="Of a recall")
    fixed_on = Day(
        allow_null=True, default=None, help_text="The vehicle comes in on that day; or latest_on"
    )
    latest_on = Day(
        allow_null=True, default=None, help_text="Neither: when the vehicle is in anyway"
    )
    skills = serializers.ListField(child=Text(max_length=40), max_length=10, default=list)
    override_reason = Text(
        max_length=300,
        allow_blank=True,
        default="",
        help_text="Why a fixed day stands on which the vehicle cannot come in; asked for",
    )


class NewWorkGiven(WorkGiven):
    vehicle = Text(max_length=40, help_text="Fleet number")


class WorkEndGiven(Act):
    ending = serializers.ChoiceField(OtherWork.Ending.choices)
    on = Day(required=False, help_text="By default today")
    reason = Text(max_length=200, allow_blank=True, default="", help_text="Needed to cancel")


class OtherWorks(Resource):
    scope = "visits"
    rights = {"GET": Right.SEE, "POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="other_work_list",
        parameters=[WorkQuery],
        responses=page_shape("OtherWorkPage", WorkShape),
        description="What is still to be done, newest first; a finding is among them by itself.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, WorkQuery)
        seen = of_depots(depots_for(request), still_open=not asked["ended"])
        rows: Any = seen.filter(of_vehicles(asked)).values("id")
        on_page, following = page(request, rows, NEWEST_FIRST, asked)
        shown = work_rows(OtherWork.objects.filter(pk__in=[row["id"] for row in on_page]))
        return listed([asdict(row) for row in reversed(shown)], following)

    @extend_schema(
        operation_id="other_work_enter", request=NewWorkGiven, responses={201: WorkShape}
    )
    def post(self, request: Request) -> Response:
        """Enters work in words, such as an inspection or a recall, that the plan made next takes
        in. A fixed day that is past is refused; one on which the vehicle cannot come in is asked
        about.
        """
        given = body(request, NewWorkGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])

        def effect() -> Answer:
            work = other_work.enter(sender(request, given), vehicle, _given(given))
            return Answer(_one(work), HTTPStatus.CREATED)

        return once(request, effect)


class OneWork(Resource):
    scope = "visits"
    rights = {"POST": Right.RELEASE}
    repeatable = ("POST",)

    def act(
        self, request: Request, work_id: int, shape: type[Act], enter: Callable[..., OtherWork]
    ) -> Response:
        one_or_404(
            of_depots(depots_for(request), still_open=False).filter(pk=work_id),
            f"There is no other work {work_id} within your depots.",
        )
        given = body(request, shape)
        return once(request, lambda: Answer(_one(enter(sender(request, given), work_id, given))))


class CorrectWork(OneWork):
    @extend_schema(
        operation_id="other_work_correct",
        request=WorkGiven,
        responses=WorkShape,
        description="Says all of other work anew; what is on an order is changed there.",
    )
    def post(self, request: Request, work_id: int) -> Response:
        return self.act(
            request,
            work_id,
            WorkGiven,
            lambda acting, pk, given: other_work.correct(acting, pk, _given(given)),
        )


class EndWork(OneWork):
    @extend_schema(operation_id="other_work_end", request=WorkEndGiven, responses=WorkShape)
    def post(self, request: Request, work_id: int) -> Response:
        """Says that other work is done, or is not to be done and why. Refused where it has ended or
        is on an order, which is where it is ended.
        """
        return self.act(
            request,
            work_id,
            WorkEndGiven,
            lambda acting, pk, given: other_work.end(
                acting, pk, ending=given["ending"], on=given.get("on"), reason=given["reason"]
            ),
        )


class ReopenWork(OneWork):
    @extend_schema(
        operation_id="other_work_reopen",
        request=Act,
        responses=WorkShape,
        description="Takes an ending back that was said by hand.",
    )
    def post(self, request: Request, work_id: int) -> Response:
        return self.act(
            request, work_id, Act, lambda acting, pk, given: other_work.reopen(acting, pk)
        )


def _given(given: dict[str, Any]) -> Given:
    names = ("kind", "title", "minutes", "number", "fixed_on", "latest_on", "skills")
    return Given(**{name: given[name] for name in names}, why_it_stands=given["override_reason"])


def _one(work: OtherWork) -> dict[str, Any]:
    (row,) = work_rows(OtherWork.objects.filter(pk=work.pk))
    return asdict(row)
