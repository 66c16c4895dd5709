"""Workshop days: the plan of each depot, its visits, and why each service is where it is."""

from dataclasses import asdict
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Strict, Text, query
from fleet.api.resource import Resource, one_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.people.roles import Right
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits.board import blocks_of, overtaken
from fleet.visits.fit import to_fit
from fleet.visits.listing import DayRow, PlanRow, ServiceRow, day_rows, newest, plan_row, told
from fleet.visits.listing import service_rows as service_rows_of
from fleet.visits.models import Plan
from fleet.visits.overtaken import out_of_date
from fleet.visits.unplanned import Unplanned

PlanFigures = shape_of(PlanRow)
PlannedServiceShape = shape_of(ServiceRow)
WorkshopDayShape = shape_of(DayRow)


class DepotQuery(Strict):
    depot = Text(max_length=40, required=False)


class PriceShape(serializers.Serializer[Any]):
    what = serializers.CharField()
    on = serializers.DateField()
    minor_per_h = serializers.IntegerField(
        help_text="About what one hour more would save; of vehicles, one more"
    )


class PlanShape(PlanFigures):  # type: ignore[misc, valid-type]
    id = serializers.IntegerField()
    version = serializers.IntegerField(help_text="Rises with each move, lock and opening")
    as_of = serializers.DateField(help_text="Its first day")
    days = serializers.IntegerField()
    made_at = serializers.DateTimeField()
    prices = PriceShape(many=True)
    unplanned = shape_of(Unplanned)(
        allow_null=True,
        help_text="Of work drafted on the day it began, lately; null: unknown",
    )
    lacking = serializers.ListField(
        child=serializers.CharField(),
        help_text="Which orders were given another day since; what is not entered, and what was "
        "taken instead; what does not fit its day any more",
    )


class PlansAnswer(serializers.Serializer[Any]):
    rows = PlanShape(many=True)


class VisitsAnswer(serializers.Serializer[Any]):
    rows = PlannedServiceShape(many=True)


class WorkshopDaysAnswer(serializers.Serializer[Any]):
    rows = WorkshopDayShape(many=True)


class Plans(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="plan_list",
        parameters=[DepotQuery],
        responses=PlansAnswer,
        description="The newest plan of each depot. Cost, bound and prices are in minor units of "
        "the currency; no plan costs less than the bound, and the gap is the share of the cost "
        "between them. A plan is a proposal: no order follows from it.",
    )
    def get(self, request: Request) -> Response:
        rows = []
        for depot in _depots(request):
            plan = newest(depot)
            if plan is not None:
                more = {
                    "id": plan.pk,
                    "version": plan.version,
                    "as_of": plan.as_of_on,
                    "days": plan.days,
                    "made_at": plan.made_at,
                }
                kept = {
                    "prices": plan.prices,
                    "unplanned": plan.unplanned,
                    "lacking": list(filter(None, [_out_of_date(plan), *told(plan)])),
                }
                rows.append(asdict(plan_row(plan)) | more | kept)
        return Response({"rows": rows})


def _out_of_date(plan: Plan) -> str:
    today = today_at(plan.depot.zone, timezone.now())
    return out_of_date(plan, overtaken(blocks_of(plan, today), today))


class MoreShape(serializers.Serializer[Any]):
    what = serializers.CharField(help_text="Mechanics, a skill, bays")
    on = serializers.DateField()
    minutes = serializers.IntegerField(help_text="About, in half hours, on top of what is there")


class FitShape(serializers.Serializer[Any]):
    depot = serializers.CharField()
    left_out = serializers.IntegerField(help_text="Services without a day")
    still_left_out = serializers.IntegerField(help_text="With the minutes below")
    more = MoreShape(many=True)
    saves_minor = serializers.IntegerField(
        help_text="About what the plan would cost less, the price of the minutes not counted"
    )


class WouldFit(Resource):
    scope = "visits"
    rights = {"GET": Right.RELEASE}

    @extend_schema(
        operation_id="plan_fit",
        responses=FitShape,
        description="About what extra minutes would bring in what the plan of a depot leaves out, "
        "tried by planning with them. Takes seconds, and stores nothing.",
    )
    def get(self, request: Request, depot: str) -> Response:
        found = one_or_404(
            depots_for(request).filter(slug=depot), f"There is no depot {depot} among yours."
        )
        return Response(asdict(to_fit(found, today_at(found.zone, timezone.now()))))


class Visits(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="visits_list",
        parameters=[DepotQuery],
        responses=VisitsAnswer,
        description="Services of the newest plan of each depot, by day, those left out last: on "
        "which day, which day it wants, how many days late or early it is expected to be, what of "
        "paid life that throws away [minor units] (`early`: the same in a sentence), and why it is "
        "not on the day it wants: `detail` names a part that it waits for, or what keeps "
        "a late one from an earlier place, `planned_because` why a plan chose a day that stands.",
    )
    def get(self, request: Request) -> Response:
        plans = [plan for plan in map(newest, _depots(request)) if plan is not None]
        rows = [asdict(row) for plan in plans for row in service_rows_of(plan)]
        return Response({"rows": rows})


class WorkshopDays(Resource):
    scope = "visits"

    @extend_schema(
        operation_id="workshop_days_list",
        parameters=[DepotQuery],
        responses=WorkshopDaysAnswer,
        description="Days of the newest plan of each depot on which a vehicle comes in: how many, "
        "and how many minutes they take in the bays.",
    )
    def get(self, request: Request) -> Response:
        plans = [plan for plan in map(newest, _depots(request)) if plan is not None]
        return Response({"rows": [asdict(row) for plan in plans for row in day_rows(plan)]})


def _depots(request: Request) -> list[Depot]:
    return depots_asked(request, query(request, DepotQuery))


def depots_asked(request: Request, asked: dict[str, Any]) -> list[Depot]:
    """One's own depots, or the one of them that was asked for."""
    depots = depots_for(request)
    return list(
        (depots.filter(slug=asked["depot"]) if "depot" in asked else depots).order_by("slug")
    )
