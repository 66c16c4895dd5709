"""Changes of an order and its jobs: each under ``If-Match``, each by one function."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import (
    Act,
    actor,
    job_or_404,
    order_id_or_404,
    person_named,
    rest,
    seen_version,
    with_tag,
)
from fleet.api.fields import Day, Number, Text, body
from fleet.api.order_shapes import OrderShape, whole
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.people.roles import Right
from fleet.readings.models import Verdict
from fleet.workorders import ending, progress
from fleet.workorders.actor import Actor
from fleet.workorders.models import Job, Raising, WorkOrder

Given = Mapping[str, Any]
ENDS = [(one.value, one.label) for one in progress.ENDS]


class PlanGiven(Act):
    planned_on = Day(allow_null=True)


class AssignGiven(Act):
    assigned_to = Text(max_length=150, allow_null=True, help_text="User name; null: nobody")


class RaiseGiven(Act):
    raising = serializers.ChoiceField(Raising.choices)


class WaitGiven(Act):
    waiting_for = Text(max_length=120)


class ReasonGiven(Act):
    reason = Text(max_length=300)


class FinishGiven(Act):
    odometer = Number(min_value=0, max_value=1e8, help_text="As the instrument shows it")
    unit = serializers.ChoiceField(("km", "mi"), default="km")
    engine_h = Number(required=False, min_value=0, max_value=1e7)
    fit_for_use = serializers.ChoiceField(WorkOrder.Fit.choices)
    restriction = Text(max_length=300, allow_blank=True, default="")


class EndGiven(Act):
    state = serializers.ChoiceField(ENDS)
    reason = serializers.ChoiceField(
        Job.Reason.choices, required=False, help_text="Unless done, why"
    )
    reason_text = Text(max_length=300, allow_blank=True, default="")


class OdometerShape(serializers.Serializer[Any]):
    verdict = serializers.ChoiceField(Verdict.choices)
    question = serializers.CharField(help_text="Empty: accepted. Else look again and settle it")
    suggestion = serializers.FloatField(allow_null=True, help_text="What was meant, probably, km")


class FinishedShape(OrderShape):
    odometer = OdometerShape()


@dataclass(frozen=True)
class Kind:
    """One kind of change: who may make it, what it takes, and the function that makes it."""

    right: Right
    act: Callable[[Actor, WorkOrder, Given, int], object]
    given: type[Act] = Act
    refreshes: bool = False  # the vehicle's due dates follow from it
    answers: type[serializers.Serializer[Any]] = OrderShape


class Change(Resource):
    scope = "work-orders"
    repeatable = conditional = ("POST",)
    kind: Kind

    def post(self, request: Request, number: str) -> Response:
        order_id = order_id_or_404(request, number)
        return changed(request, self.kind, order_id, body(request, self.kind.given))


def changed(request: Request, kind: Kind, order_id: int, given: Given) -> Response:
    def effect() -> Answer:
        version = seen_version(request, order_id)
        order = WorkOrder.objects.get(pk=order_id)
        told = kind.act(actor(request, given), order, rest(given), version)
        more = {"odometer": _odometer(told)} if isinstance(told, ending.Finished) else {}
        return Answer({**whole(order_id), **more})

    def then(answer: Answer) -> Answer:
        if kind.refreshes:
            vehicle_id = WorkOrder.objects.values_list("vehicle_id", flat=True).get(pk=order_id)
            chain.refresh([vehicle_id], timezone.now())
        return answer

    return with_tag(once(request, effect, then))


def _odometer(found: ending.Finished) -> dict[str, Any]:
    return {
        "verdict": found.verdict,
        "question": ending.odometer_question(found),
        "suggestion": found.suggestion,
    }


def _assign(acting: Actor, order: WorkOrder, given: Given, version: int) -> object:
    person = person_named(
        given["assigned_to"], Right.RECORD_WORK, order.depot_id, "assigned_to"
    )  # fmt: skip
    return progress.assign(acting, order.pk, person=person, version=version)


def _finish(acting: Actor, order: WorkOrder, given: Given, version: int) -> object:
    return ending.finish(
        acting,
        order.pk,
        odometer=given["odometer"],
        unit=given["unit"],
        engine_hours=given.get("engine_h"),
        fit_for_use=given["fit_for_use"],
        restriction=given["restriction"],
        version=version,
    )


def _by(act: Callable[..., object]) -> Callable[[Actor, WorkOrder, Given, int], object]:
    """A change whose function takes just what is given."""
    return lambda acting, order, given, version: act(acting, order.pk, version=version, **given)


RELEASE, WORK = Right.RELEASE, Right.RECORD_WORK
KINDS = {
    "release": Kind(RELEASE, _by(progress.release)),
    "plan": Kind(RELEASE, _by(progress.plan), PlanGiven),
    "assign": Kind(RELEASE, _assign, AssignGiven),
    "raise-by": Kind(WORK, _by(progress.raise_by), RaiseGiven),
    "arrive": Kind(WORK, _by(progress.arrive)),
    "start": Kind(WORK, _by(progress.start)),
    "wait": Kind(WORK, _by(progress.wait), WaitGiven),
    "resume": Kind(WORK, _by(progress.resume)),
    "finish": Kind(WORK, _finish, FinishGiven, refreshes=True, answers=FinishedShape),
    "hand-back": Kind(WORK, _by(ending.hand_back)),
    "sign-off": Kind(Right.SIGN_OFF, _by(ending.sign_off)),
    "cancel": Kind(RELEASE, _by(progress.cancel), ReasonGiven),
    "correct": Kind(RELEASE, _by(ending.correct), ReasonGiven, refreshes=True),
}


def change_view(name: str) -> type[Change]:
    """The view of one kind of change."""
    kind = KINDS[name]
    described = extend_schema(
        operation_id=f"work_orders_{name.replace('-', '_')}",
        request=kind.given,
        responses=kind.answers,
    )
    made = type(name.title().replace("-", ""), (Change,),
                {"kind": kind, "rights": {"POST": kind.right}})  # fmt: skip
    view: type[Change] = extend_schema_view(post=described)(made)
    return view


class EndJob(Resource):
    """How a job ended; the tag is the order's."""

    scope = "work-orders"
    rights = {"POST": WORK}
    repeatable = conditional = ("POST",)

    @extend_schema(operation_id="jobs_end", request=EndGiven, responses=OrderShape)
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        ends = Kind(WORK, lambda acting, order, given, version: progress.end_job(
            acting, job.pk, version=version, **given))  # fmt: skip
        return changed(request, ends, job.order_id, body(request, EndGiven))


class SettleJob(Resource):
    """What was decided about a job that came back part done or not done."""

    scope = "work-orders"
    rights = {"POST": RELEASE}
    repeatable = conditional = ("POST",)

    @extend_schema(operation_id="jobs_settle", request=ReasonGiven, responses=OrderShape)
    def post(self, request: Request, job_id: int) -> Response:
        job = job_or_404(request, job_id)
        settles = Kind(RELEASE, lambda acting, order, given, version: progress.settle_job(
            acting, job.pk, **given))  # fmt: skip
        return changed(request, settles, job.order_id, body(request, ReasonGiven))
