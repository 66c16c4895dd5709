"""Leave to do a service later, and the questions about services that are overdue."""

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, sender, services_named
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.findings import MarkQuery, of_vehicles
from fleet.api.paging import Order, Row, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404, vehicle_or_404
from fleet.api.rows import Rows
from fleet.api.signin import caller, depots_for
from fleet.due import defer
from fleet.due.models import Deferral
from fleet.people.roles import Right
from fleet.workorders import escalate
from fleet.workorders.models import Escalation

NEWEST_FIRST = Order("deferrals", ("id",), descending=True)
LONGEST_FIRST = Order("escalations", ("since_on", "id"))


class DeferralQuery(MarkQuery):
    withdrawn = serializers.BooleanField(
        required=False, default=None, allow_null=True, help_text="By default both kinds"
    )
    waiting = serializers.BooleanField(
        default=False, help_text="`true`: only those that wait for a second person"
    )


class DeferralShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    service = serializers.SlugField()
    until_on = serializers.DateField(allow_null=True)
    until_km = serializers.FloatField(allow_null=True, help_text="The vehicle's total")
    reason = serializers.CharField()
    person = serializers.CharField()
    beyond_tolerance = serializers.BooleanField()
    second_person = serializers.CharField(
        allow_null=True,
        help_text="Null though beyond the tolerance: it waits for somebody to agree, and does "
        "not hold yet",
    )
    created_at = serializers.DateTimeField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)


SHOWN = Rows(Deferral, DeferralShape, depot="vehicle__depot__slug")


class DeferralGiven(Strict):
    vehicle = Text(max_length=40, help_text="Fleet number")
    service = Text(max_length=40)
    until_on = Day(required=False)
    until_km = Number(required=False, min_value=0, max_value=1e8)
    reason = Text(max_length=300)


class NothingGiven(Strict):
    """Nothing more is needed."""


class EscalationShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    vehicle = serializers.CharField(help_text="Fleet number")
    depot = serializers.SlugField()
    service = serializers.SlugField()
    stage = serializers.ChoiceField(Escalation.Stage.choices)
    since_on = serializers.DateField()
    answer = serializers.ChoiceField([*Escalation.Answer.choices, ""])
    answered_by = serializers.CharField(allow_null=True)
    answered_at = serializers.DateTimeField(allow_null=True)
    reason = serializers.CharField()
    closed_on = serializers.DateField(allow_null=True)


SHOWN_QUESTIONS = Rows(Escalation, EscalationShape, depot="vehicle__depot__slug")


class AnswerGiven(Act):
    answer = serializers.ChoiceField(
        Escalation.Answer.choices, help_text="`stand down` also sets do not use"
    )
    reason = Text(max_length=280)


class Deferrals(Resource):
    scope = "deferrals"
    rights = {"GET": Right.SEE, "POST": Right.DEFER}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="deferrals_list",
        parameters=[DeferralQuery],
        responses=page_shape("DeferralPage", DeferralShape),
    )
    def get(self, request: Request) -> Response:
        """Leave to do services later, newest first; withdrawn deferrals are among them unless asked
        otherwise.
        """
        asked = query(request, DeferralQuery)
        kept = defer.deferrals(withdrawn=asked["withdrawn"], waiting=asked["waiting"])
        seen = kept.filter(vehicle__depot__in=depots_for(request))
        return SHOWN.page(request, seen.filter(of_vehicles(asked)), NEWEST_FIRST, asked)

    @extend_schema(
        operation_id="deferrals_add", request=DeferralGiven, responses={201: DeferralShape}
    )
    def post(self, request: Request) -> Response:
        """Defer a service. Beyond its tolerance it holds once a second person has agreed."""
        given = body(request, DeferralGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        (service,) = services_named(vehicle, [given["service"]], "service")

        def effect() -> Answer:
            row = defer.defer(
                vehicle=vehicle,
                service=service,
                person=caller(request),
                reason=given["reason"],
                until_on=given.get("until_on"),
                until_km=given.get("until_km"),
                may_wait=True,
            )
            return Answer(_one(row.pk), HTTPStatus.CREATED)

        return once(request, effect)


class AgreeDeferral(Resource):
    """Agree, as the second person, to a deferral beyond the tolerance."""

    scope = "deferrals"
    rights = {"POST": Right.DEFER}
    repeatable = ("POST",)

    @extend_schema(operation_id="deferrals_agree", request=NothingGiven, responses=DeferralShape)
    def post(self, request: Request, deferral_id: int) -> Response:
        row = _deferral_or_404(request, deferral_id)
        body(request, NothingGiven)

        def effect() -> Answer:
            defer.agree(row, person=caller(request))
            return Answer(_one(row.pk))

        return once(request, effect)


class WithdrawDeferral(Resource):
    """Take a deferral back; the row stays."""

    scope = "deferrals"
    rights = {"POST": Right.DEFER}
    repeatable = ("POST",)

    @extend_schema(operation_id="deferrals_withdraw", request=NothingGiven, responses=DeferralShape)
    def post(self, request: Request, deferral_id: int) -> Response:
        row = _deferral_or_404(request, deferral_id)
        body(request, NothingGiven)

        def effect() -> Answer:
            defer.withdraw(row, person=caller(request), now=timezone.now())
            return Answer(_one(row.pk))

        return once(request, effect)


class Escalations(Resource):
    scope = "deferrals"

    @extend_schema(
        operation_id="escalations_list",
        parameters=[MarkQuery],
        responses=page_shape("EscalationPage", EscalationShape),
        description="Open ones nobody has answered, the oldest first.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, MarkQuery)
        found = escalate.open_questions(depots_for(request)).filter(of_vehicles(asked))
        return SHOWN_QUESTIONS.page(request, found, LONGEST_FIRST, asked)


class AnswerEscalation(Resource):
    scope = "deferrals"
    rights = {"POST": Right.DEFER}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="escalations_answer", request=AnswerGiven, responses=EscalationShape
    )
    def post(self, request: Request, escalation_id: int) -> Response:
        """Answers for an overdue service: planned, use it all the same, or stand the vehicle down,
        which sets do not use. Refused where it was answered already.
        """
        one_or_404(
            _asked_of(request).filter(pk=escalation_id),
            f"There is no question {escalation_id} within your depots.",
        )
        given = body(request, AnswerGiven)

        def effect() -> Answer:
            actor = sender(request, given)
            escalate.answer(actor, escalation_id, given=given["answer"], reason=given["reason"])
            found = Escalation.objects.filter(pk=escalation_id)
            return Answer(SHOWN_QUESTIONS.one(found))

        return once(request, effect)


def _deferral_or_404(request: Request, deferral_id: int) -> Deferral:
    seen = _seen(request).select_related("vehicle")
    return one_or_404(
        seen.filter(pk=deferral_id), f"There is no deferral {deferral_id} within your depots."
    )


def _seen(request: Request) -> QuerySet[Deferral]:
    return Deferral.objects.filter(vehicle__depot__in=depots_for(request))


def _one(pk: int) -> Row:
    return SHOWN.one(Deferral.objects.filter(pk=pk))


def _asked_of(request: Request) -> Any:
    return Escalation.objects.filter(vehicle__depot__in=depots_for(request))
