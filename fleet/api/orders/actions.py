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
    job_or_404,
    order_id_or_404,
    person_named,
    rest,
    seen_version,
    sender,
    services_named,
    with_tag,
)
from fleet.api.fields import Day, Number, Text, body
from fleet.api.orders.shapes import OrderShape, OtherWork, whole
from fleet.api.orders.told import TOLD
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource
from fleet.due.models import DueEarlier
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.readings.models import Verdict
from fleet.visits import order_days
from fleet.workorders import ending, joblist, late, progress, restrictions
from fleet.workorders.ending import AtFinish
from fleet.workorders.models import Job, Raising, WorkOrder

Given = Mapping[str, Any]
ENDS = [(one.value, one.label) for one in progress.ENDS]


class ReleaseOneGiven(Act):
    override_reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Answers a 409: the day is only proposed, or one on which it cannot come in, or "
        "work is far from due",
    )


class PlanGiven(Act):
    planned_on = Day(allow_null=True)
    override_reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Why a day stands on which the vehicle cannot come in, or who has the order is "
        "not at work; asked for",
    )


class AssignGiven(Act):
    assigned_to = Text(max_length=150, allow_null=True, help_text="User name; null: nobody")
    override_reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Why they have it although they are not at work on its day; asked for",
    )


class RaiseGiven(Act):
    raising = serializers.ChoiceField(Raising.choices)
    override_reason = Text(
        max_length=300, default="", allow_blank=True, help_text="Answers what was asked about it"
    )


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
    because = Text(
        max_length=300, allow_blank=True, default="", help_text="Answers the question of a 409"
    )
    restrictions = serializers.DictField(
        child=serializers.ChoiceField(restrictions.ANSWERS),
        default=dict,
        help_text="Each restriction that stands on the vehicle, by its id: lifted or stays",
    )


class EndGiven(Act):
    state = serializers.ChoiceField(ENDS)
    reason = serializers.ChoiceField(
        Job.Reason.choices, required=False, help_text="Why, unless done; refused where it is done"
    )
    reason_text = Text(max_length=300, allow_blank=True, default="")
    because = Text(
        max_length=300,
        allow_blank=True,
        default="",
        help_text="Done with something not recorded: why. Answers the question of a 409",
    )
    spent_min = serializers.IntegerField(
        min_value=0,
        max_value=progress.MOST_MINUTES,
        required=False,
        help_text="Minutes spent all the same, asked where it is part done or not done: 0 for none",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["state"] != Job.State.DONE and "spent_min" not in attrs:
            raise serializers.ValidationError(
                {"spent_min": [progress.SAY_MINUTES]}, code="required"
            )
        return attrs


class JobsGiven(Act):
    services = serializers.ListField(
        child=Text(max_length=40), max_length=50, default=list, help_text="Slugs"
    )
    other_work = OtherWork(many=True, required=False, default=list)
    reason = Text(max_length=300, allow_blank=True, default="")


class DropGiven(ReasonGiven):
    jobs = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=2**63 - 1),
        min_length=1,
        max_length=50,
        help_text="Ids",
    )


class OdometerShape(serializers.Serializer[Any]):
    verdict = serializers.ChoiceField(Verdict.choices)
    question = serializers.CharField(help_text="Empty: accepted. Else look again and settle it")
    suggestion = serializers.FloatField(allow_null=True, help_text="What was meant, probably, km")


class CalledShape(serializers.Serializer[Any]):
    """A re-check that the work calls for."""

    service = serializers.SlugField()
    name = serializers.CharField()
    rule = serializers.SlugField()
    text = serializers.CharField(help_text="What is wanted, and when")
    safety = serializers.BooleanField(help_text="It gets an order of its own at once")
    after_km = serializers.FloatField(allow_null=True)
    due_on = serializers.DateField(allow_null=True)


class FinishedShape(OrderShape):
    odometer = OdometerShape()
    called = CalledShape(many=True)


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
        told = kind.act(sender(request, given), order, rest(given), version)
        more = _finished(told) if isinstance(told, ending.Finished) else {}
        return Answer({**whole(order_id), **more})

    def afterwards(answer: Answer) -> Answer:
        if kind.refreshes:
            vehicle_id = WorkOrder.objects.values_list("vehicle_id", flat=True).get(pk=order_id)
            chain.refresh([vehicle_id], timezone.now())
        return answer

    return with_tag(once(request, effect, afterwards))


def _finished(found: ending.Finished) -> dict[str, Any]:
    return {"odometer": _odometer(found), "called": [_called(call) for call in found.called]}


def _called(call: DueEarlier) -> dict[str, Any]:
    rule = call.called_by.rule
    return {
        "service": call.service.slug,
        "name": call.service.name,
        "rule": rule.slug if rule else "",
        "text": call.reason,
        "safety": bool(rule and rule.safety),
        "after_km": call.after_km,
        "due_on": call.due_on,
    }


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
    because = given["override_reason"]
    return order_days.assign(
        acting, order.pk, person=person, version=version, override_reason=because
    )


def _finish(acting: Actor, order: WorkOrder, given: Given, version: int) -> object:
    return ending.finish(
        acting,
        order.pk,
        AtFinish(
            odometer=given["odometer"],
            unit=given["unit"],
            engine_hours=given.get("engine_h"),
            fit_for_use=given["fit_for_use"],
            restriction=given["restriction"],
            because=given["because"],
            answers={int(pk): said for pk, said in given["restrictions"].items() if pk.isdecimal()},
        ),
        version=version,
    )


def _add_jobs(acting: Actor, order: WorkOrder, given: Given, version: int) -> object:
    services = services_named(order.vehicle, given["services"])
    return joblist.add_jobs(
        acting,
        order.pk,
        service_ids=[service.pk for service in services],
        other_work=[(one["title"], one["minutes"]) for one in given["other_work"]],
        reason=given["reason"],
        version=version,
    )


def _drop_jobs(acting: Actor, order: WorkOrder, given: Given, version: int) -> object:
    return joblist.drop_jobs(
        acting, order.pk, job_ids=given["jobs"], reason=given["reason"], version=version
    )


def _by(act: Callable[..., object]) -> Callable[[Actor, WorkOrder, Given, int], object]:
    """A change whose function takes just what is given."""
    return lambda acting, order, given, version: act(acting, order.pk, version=version, **given)


RELEASE, WORK = Right.RELEASE, Right.RECORD_WORK
KINDS = {
    "release": Kind(RELEASE, _by(order_days.release), ReleaseOneGiven),
    "take-back": Kind(RELEASE, _by(progress.take_back)),
    "plan": Kind(RELEASE, _by(order_days.plan), PlanGiven),
    "assign": Kind(RELEASE, _assign, AssignGiven),
    "raise-by": Kind(WORK, _by(progress.raise_by), RaiseGiven),
    "arrive": Kind(WORK, _by(progress.arrive)),
    "start": Kind(WORK, _by(order_days.start)),
    "wait": Kind(WORK, _by(progress.wait), WaitGiven),
    "resume": Kind(WORK, _by(progress.resume)),
    "finish": Kind(WORK, _finish, FinishGiven, refreshes=True, answers=FinishedShape),
    "hand-back": Kind(WORK, _by(ending.hand_back)),
    "sign-off": Kind(Right.SIGN_OFF, _by(ending.sign_off)),
    "late-seen": Kind(Right.SIGN_OFF, _by(late.seen)),
    "add-jobs": Kind(RELEASE, _add_jobs, JobsGiven),
    "drop-jobs": Kind(RELEASE, _drop_jobs, DropGiven),
    "cancel": Kind(RELEASE, _by(progress.cancel), ReasonGiven),
    "correct": Kind(RELEASE, _by(ending.correct), ReasonGiven, refreshes=True),
}


def change_view(name: str) -> type[Change]:
    """The view of one kind of change."""
    kind = KINDS[name]
    described = extend_schema(
        operation_id=f"work_orders_{name.replace('-', '_')}",
        description=TOLD[name],
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
