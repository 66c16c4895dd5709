"""Acts on the plan of a depot: plan anew, publish, move, lock, open, promise. The version of the
plan stands in the body, since an act is about a plan and not about the one thing it names."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, as_number, sender, wrong
from fleet.api.errors import code_of
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.plans import DepotQuery, PlanFigures, Plans, depots_asked
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits import moves, promises
from fleet.visits.listing import PromiseRow, promise_rows, visits_in_force, visits_until
from fleet.visits.models import Plan, Visit
from fleet.visits.publish import Outcome, publish
from fleet.visits.replan import replan
from fleet.visits.weigh import Weighed, weigh
from fleet.workorders.models import WorkOrder

MOST_AT_ONCE = 500  # visits or orders named in one body; our choice
PromiseShape = shape_of(PromiseRow)


class Version(serializers.IntegerField):
    """Of the plan, as it was seen."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            min_value=1, max_value=2**31 - 1, help_text="Of the plan, as it was seen", **options
        )


class AnewGiven(Act):
    depot = Text(max_length=40)


class ReplannedShape(serializers.Serializer[Any]):
    plan = serializers.IntegerField()
    version = serializers.IntegerField()
    same = serializers.BooleanField(help_text="Nothing had changed: the plan stays")
    moved = serializers.IntegerField(help_text="Services on another day than before")
    before = PlanFigures(allow_null=True)
    after = PlanFigures()


class PlansOrAnew(Plans):
    """The newest plans; or one made anew within seconds."""

    rights = {"GET": Right.SEE, "POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="plan_anew",
        request=AnewGiven,
        responses=ReplannedShape,
        description="Plans one depot from today on, within 3 seconds of computing. What is locked, "
        "promised, on an order with a day, or nearer than seven days stays.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, AnewGiven)
        depot = _depot(request, given["depot"])

        def effect() -> Answer:
            found = replan(sender(request, given), depot)
            return Answer(
                {
                    **{"plan": found.plan.pk, "version": found.plan.version},
                    **{"same": found.same, "moved": found.moved},
                    "before": asdict(found.before) if found.before else None,
                    "after": asdict(found.after),
                }
            )

        return once(request, effect)


class SeenOrder(Strict):
    number = Text(max_length=20)
    version = serializers.IntegerField(min_value=1, max_value=2**31 - 1, help_text="As it was seen")


class PublishGiven(Act):
    depot = Text(max_length=40)
    plan = serializers.IntegerField(min_value=1, max_value=2**63 - 1)
    version = Version()
    until = Day(required=False, help_text="Publish the visits up to this day; or name them")
    visits = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=2**63 - 1),
        required=False,
        max_length=MOST_AT_ONCE,
        help_text="Ids",
    )
    orders = SeenOrder(  # type: ignore[call-arg]
        many=True,
        required=False,
        max_length=MOST_AT_ONCE,
        help_text="As a dry run told them; an order that is not among them is new since then. Left "
        "out: whichever version they have",
    )
    released = serializers.ListField(
        child=Text(max_length=20),
        default=list,
        max_length=MOST_AT_ONCE,
        help_text="Numbers of released orders that may be moved all the same",
    )
    dry_run = serializers.BooleanField(default=False, help_text="Tell, and change nothing")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("until" in attrs) is ("visits" in attrs):
            raise serializers.ValidationError(
                {"until": ["Give either until or visits."]}, code="either"
            )
        return attrs


class PublishedOrderShape(serializers.Serializer[Any]):
    number = serializers.CharField(help_text="Of the order; empty: one that is not drafted yet")
    vehicle = serializers.CharField()
    on = serializers.DateField(help_text="Day of the visit")
    done = serializers.ListField(
        child=serializers.CharField(), help_text="In words; empty without a code: it was so already"
    )
    besides = serializers.ListField(
        child=serializers.CharField(),
        help_text="What to know of it, as that the mechanic planned does not sign in",
    )
    unfit = serializers.CharField(help_text="Why its day does not hold the visit; empty: it does")
    version = serializers.IntegerField(allow_null=True)
    code = serializers.CharField(help_text="Empty where nothing was refused")
    detail = serializers.CharField()


class PublishedShape(serializers.Serializer[Any]):
    changed = serializers.IntegerField(help_text="Orders, drafted ones among them")
    refused = serializers.IntegerField()
    rows = PublishedOrderShape(many=True)


class Publish(Resource):
    scope = "visits"
    rights = {"POST": Right.RELEASE}
    repeatable = versioned = ("POST",)

    @extend_schema(
        operation_id="visits_publish",
        request=PublishGiven,
        responses=PublishedShape,
        description="Drafted orders get day and mechanic of the plan, and what has no order is "
        "drafted; release is its own act. Each visit is published whole or not at all. Doing it "
        "again changes nothing. Released orders move only when named, started ones never.",
    )
    def post(self, request: Request) -> Response:
        given = body(request, PublishGiven)
        depot = _depot(request, given["depot"])
        released = _orders_named(request, given["released"])
        seen = None
        if "orders" in given:
            numbers = {as_number(one["number"]): one["version"] for one in given["orders"]}
            rows = WorkOrder.objects.filter(depot__in=depots_for(request), number__in=numbers)
            seen = {pk: numbers[number] for pk, number in rows.values_list("pk", "number")}

        def effect() -> Answer:
            actor = sender(request, given)
            ids = given.get("visits")
            if ids is None:
                today = today_at(depot.zone, actor.now)
                ids = [one.pk for one in visits_until(given["plan"], today, given["until"])]
            found = publish(
                actor,
                _plan(depot, given["plan"]),
                visit_ids=ids,
                version=given["version"],
                orders=seen,
                released=released,
                dry=given["dry_run"],
            )
            return Answer(
                {
                    "changed": sum(bool(one.done) for one in found),
                    "refused": sum(one.refusal is not None for one in found),
                    "rows": [_outcome(one) for one in found],
                }
            )

        return once(request, effect)


def _outcome(one: Outcome) -> dict[str, Any]:
    return {
        **{"number": one.number, "vehicle": one.vehicle, "on": one.on, "done": list(one.done)},
        "besides": list(one.besides),
        "unfit": one.unfit,
        "version": one.version,
        "code": "" if one.refusal is None else code_of(one.refusal),
        "detail": str(one.refusal or ""),
    }


class MoveVisitGiven(Act):
    version = Version()
    on = Day()
    bay = Text(max_length=40, allow_blank=True, default="", help_text="Empty: any that carries it")
    released = serializers.ListField(
        child=Text(max_length=20), default=list, max_length=20, help_text="Numbers"
    )
    dry_run = serializers.BooleanField(default=False, help_text="Tell what it costs; move nothing")


class WeighedShape(shape_of(Weighed)):  # type: ignore[misc]
    of_each = None
    plan = serializers.IntegerField()
    version = serializers.IntegerField(help_text="Of the plan, now")


class VersionGiven(Act):
    version = Version()


class VisitShape(serializers.Serializer[Any]):
    visit = serializers.IntegerField()
    vehicle = serializers.CharField()
    on = serializers.DateField()
    bay = serializers.CharField()
    locked = serializers.BooleanField()
    plan = serializers.IntegerField()
    version = serializers.IntegerField(help_text="Of the plan, now")


class PromiseGiven(VersionGiven):
    told_to = Text(max_length=120)


class OneVisit(Resource):
    scope = "visits"
    rights = {"POST": Right.RELEASE}
    repeatable = versioned = ("POST",)

    def visit(self, request: Request, visit_id: int) -> Visit:
        return one_or_404(
            visits_in_force(depots_for(request)).filter(pk=visit_id),
            f"There is no visit {visit_id} in a plan in force within your depots.",
        )


class MoveVisit(OneVisit):
    @extend_schema(
        operation_id="visits_move",
        request=MoveVisitGiven,
        responses=WeighedShape,
        description="Puts a visit on another day or in another bay and locks it there; its drafted "
        "orders move with it, released ones when named. Cost and days late are against the day it "
        "has. With dry_run nothing is moved.",
    )
    def post(self, request: Request, visit_id: int) -> Response:
        given = body(request, MoveVisitGiven)
        visit = self.visit(request, visit_id)
        released = _orders_named(request, given["released"])

        def effect() -> Answer:
            actor, on, bay = sender(request, given), given["on"], given["bay"]
            if given["dry_run"]:
                found = weigh(visit, on, bay, today_at(visit.plan.depot.zone, actor.now))
            else:
                found = moves.move(
                    actor,
                    visit.plan_id,
                    visit.pk,
                    on=on,
                    bay=bay,
                    version=given["version"],
                    released=released,
                )
            told = {name: value for name, value in asdict(found).items() if name != "of_each"}
            return Answer({**told, **_plan_now(visit.plan_id)})

        return once(request, effect)


class LockVisit(OneVisit):
    @extend_schema(operation_id="visits_lock", request=VersionGiven, responses=VisitShape)
    def post(self, request: Request, visit_id: int) -> Response:
        """Keeps a visit on its day: no plan moves it. Refused where the plan has changed."""
        return _changed(request, self.visit(request, visit_id), moves.lock)


class UnlockVisit(OneVisit):
    @extend_schema(
        operation_id="visits_unlock",
        request=VersionGiven,
        responses=VisitShape,
        description="Leaves the day to the plan again; drafted orders lose the day they had.",
    )
    def post(self, request: Request, visit_id: int) -> Response:
        return _changed(request, self.visit(request, visit_id), moves.unlock)


class PromiseVisit(OneVisit):
    @extend_schema(
        operation_id="visits_promise",
        request=PromiseGiven,
        responses=PromiseShape,
        description="Notes that somebody was told the day, which is locked with it.",
    )
    def post(self, request: Request, visit_id: int) -> Response:
        given = body(request, PromiseGiven)
        visit = self.visit(request, visit_id)

        def effect() -> Answer:
            made = promises.promise(
                sender(request, given),
                visit.plan_id,
                visit.pk,
                told_to=given["told_to"],
                version=given["version"],
            )
            (row,) = promise_rows([visit.plan.depot], pk=made.pk)
            return Answer(asdict(row))

        return once(request, effect)


class PromisesAnswer(serializers.Serializer[Any]):
    rows = PromiseShape(many=True)


class Promises(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="promises_list",
        parameters=[DepotQuery],
        responses=PromisesAnswer,
        description="Days that somebody was told, by day: those that stand, and those that ended "
        "within the last 90 days: kept (the work had begun on that day at the depot), moved, or "
        "broken, with the reason.",
    )
    def get(self, request: Request) -> Response:
        rows = promise_rows(depots_asked(request, query(request, DepotQuery)))
        return Response({"rows": [asdict(row) for row in rows]})


def _changed(request: Request, visit: Visit, act: Callable[..., Visit]) -> Response:
    given = body(request, VersionGiven)

    def effect() -> Answer:
        now = act(sender(request, given), visit.plan_id, visit.pk, version=given["version"])
        shown = {"visit": now.pk, "vehicle": visit.vehicle.fleet_number, "on": now.on}
        more = {"bay": now.bay, "locked": now.locked}
        return Answer({**shown, **more, **_plan_now(visit.plan_id)})

    return once(request, effect)


def _plan_now(plan_id: int) -> dict[str, int]:
    return {"plan": plan_id, "version": Plan.objects.get(pk=plan_id).version}


def _plan(depot: Depot, plan_id: int) -> int:
    """The plan named, if it is of this depot; whether it is the newest is for the verb to say."""
    found = Plan.objects.filter(depot=depot, pk=plan_id).first()
    if found is None:
        raise wrong("plan", f"{depot} has no such plan: fetch the newest one.")
    return found.pk


def _depot(request: Request, slug: str) -> Depot:
    return one_or_404(
        depots_for(request).filter(slug=slug), f"There is no depot {slug} among yours."
    )


def _orders_named(request: Request, numbers: list[str]) -> list[int]:
    named = [as_number(number) for number in numbers]
    seen = WorkOrder.objects.filter(depot__in=depots_for(request), number__in=named)
    return list(seen.values_list("pk", flat=True))
