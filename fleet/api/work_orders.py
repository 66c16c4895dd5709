"""Work orders: the list, a mechanic's day with its job cards, one with its history, new ones."""

from http import HTTPStatus
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, Subquery
from django.urls import reverse
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import chain
from fleet.api.acting import (
    Act,
    actor,
    order_id_or_404,
    person_named,
    services_named,
    version_tag,
    with_tag,
)
from fleet.api.conditions import shown
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.order_shapes import (
    LISTED,
    OrderRow,
    OrderShape,
    RecordsShape,
    job_lists,
    listed_row,
    recorded,
    whole,
)
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import caller, depots_for
from fleet.due.listing import by_day, today_at
from fleet.people.roles import Right
from fleet.workorders import issue, jobcard, outside
from fleet.workorders.models import DoNotUse, Raising, WorkOrder

NEWEST_FIRST = Order("work orders", ("id",), descending=True)
BY_DAY = Order("work orders by day", ("planned_on", "id"))
TODAY, ME, CARD = "today", "me", "card"
AT_WORK = (WorkOrder.State.RELEASED, WorkOrder.State.STARTED, WorkOrder.State.WAITING)
COST_MAX = 2_000_000_000  # what the column holds

CardShape = shape_of(jobcard.Card)


@extend_schema_field({"oneOf": [{"type": "string", "format": "date"}, {"enum": [TODAY]}]})
class DayOrToday(Day):
    def to_internal_value(self, value: Any) -> Any:
        return value if value == TODAY else super().to_internal_value(value)


class OrderQuery(PageQuery):
    depot = Text(required=False)
    vehicle = Text(required=False)
    state = serializers.MultipleChoiceField(choices=WorkOrder.State.choices, required=False)
    planned_on = DayOrToday(
        required=False,
        help_text="A date; or `today`, at each order's depot: what is planned for today or left "
        "over from before, and released, started or waiting unless `state` says otherwise",
    )
    assigned_to = Text(required=False, help_text="A user name, or `me`")
    expand = serializers.ChoiceField(
        [CARD],
        required=False,
        help_text="`card`: each order with its job card. `planned_on=today&assigned_to=me` has "
        "them without being asked",
    )


class OrderWithCard(OrderRow):
    do_not_use = serializers.BooleanField(help_text="The vehicle must not be used")
    card = CardShape(allow_null=True, help_text="Unless expanded: null")


class OtherWork(Strict):
    title = Text(max_length=120)
    minutes = serializers.IntegerField(min_value=0, max_value=6_000, default=0)


class OrderGiven(Act):
    vehicle = Text(max_length=40, help_text="Fleet number")
    services = serializers.ListField(
        child=Text(max_length=40), max_length=50, default=list, help_text="Slugs"
    )
    other_work = OtherWork(many=True, required=False, default=list)
    planned_on = Day(required=False)
    assigned_to = Text(max_length=150, required=False, help_text="User name")
    raising = serializers.ChoiceField(Raising.choices, default=Raising.LIFT)
    reason = Text(max_length=300, default="", allow_blank=True)
    join_early = serializers.BooleanField(
        default=True, help_text="Services within their early window join"
    )


class OutsideGiven(Strict):
    vehicle = Text(max_length=40, help_text="Fleet number")
    services = serializers.ListField(child=Text(max_length=40), min_length=1, max_length=50)
    done_on = Day(help_text="The day the work was done; late papers are back-dated")
    odometer_km = Number(required=False, min_value=0, max_value=1e8)
    workshop_name = Text(max_length=120)
    invoice_number = Text(max_length=60)
    cost_minor = serializers.IntegerField(
        required=False, min_value=0, max_value=COST_MAX, help_text="Net of tax, in minor units"
    )


class WorkOrders(Resource):
    scope = "work-orders"
    rights = {"GET": Right.SEE, "POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="work_orders_list",
        parameters=[OrderQuery],
        responses=page_shape("WorkOrderPage", OrderWithCard),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, OrderQuery)
        rows = _rows(request, asked)
        order = BY_DAY if "planned_on" in asked else NEWEST_FIRST
        on_page, following = page(request, rows, order, asked)
        cards = _cards(on_page) if _expanded(asked) else {}
        shown_rows = [
            {**listed_row(row), "do_not_use": row["do_not_use"], "card": cards.get(row["id"])}
            for row in on_page
        ]
        return listed(shown_rows, following)

    @extend_schema(
        operation_id="work_orders_draft", request=OrderGiven, responses={201: OrderShape}
    )
    def post(self, request: Request) -> Response:
        given = body(request, OrderGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        services = services_named(vehicle, given["services"])
        person = person_named(
            given.get("assigned_to"), Right.RECORD_WORK, vehicle.depot_id, "assigned_to"
        )

        def effect() -> Answer:
            order = issue.draft(
                actor(request, given),
                vehicle_id=vehicle.pk,
                service_ids=[service.pk for service in services],
                other_work=[(one["title"], one["minutes"]) for one in given["other_work"]],
                planned_on=given.get("planned_on"),
                assigned_to=person,
                raising=given["raising"],
                reason=given["reason"],
                join_early=given["join_early"],
            )
            return made(order)

        return with_tag(once(request, effect))


class OutsideWork(Resource):
    scope = "work-orders"
    rights = {"POST": Right.RELEASE}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="work_orders_outside", request=OutsideGiven, responses={201: OrderShape}
    )
    def post(self, request: Request) -> Response:
        """Enter what an outside workshop did, from its papers."""
        given = body(request, OutsideGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        services = services_named(vehicle, given["services"])

        def effect() -> Answer:
            order = outside.record(
                actor(request, given),
                vehicle=vehicle,
                services=services,
                done_on=given["done_on"],
                odometer_km=given.get("odometer_km"),
                workshop_name=given["workshop_name"],
                invoice_number=given["invoice_number"],
                cost_minor=given.get("cost_minor"),
            )
            return made(order)

        def then(answer: Answer) -> Answer:
            chain.refresh([vehicle.pk], timezone.now())
            return answer

        return with_tag(once(request, effect, then))


class OneOrder(Resource):
    """One order, its jobs and its history; its tag is its version."""

    scope = "work-orders"

    @extend_schema(operation_id="work_orders_one", responses=OrderShape)
    def get(self, request: Request, number: str) -> Response:
        found = whole(order_id_or_404(request, number))
        response: Response = shown(request, found, version_tag(found["version"]))
        return response


class OrderCard(Resource):
    scope = "work-orders"

    @extend_schema(operation_id="work_orders_card", responses=CardShape)
    def get(self, request: Request, number: str) -> Response:
        card = jobcard.card(order_id_or_404(request, number))
        response: Response = shown(request, jobcard.as_json(card))
        return response


class OrderRecords(Resource):
    """What was recorded on an order; these rows are added without a new version of the order."""

    scope = "work-orders"

    @extend_schema(operation_id="work_orders_records", responses=RecordsShape)
    def get(self, request: Request, number: str) -> Response:
        response: Response = shown(request, recorded(order_id_or_404(request, number)))
        return response


def made(order: WorkOrder) -> Answer:
    where = reverse("api-work-order", args=[order.number])
    return Answer(whole(order.pk), HTTPStatus.CREATED, where)


# --- the list ------------------------------------------------------------------------------
def _rows(request: Request, asked: Row) -> Any:
    found = WorkOrder.objects.filter(_chosen(request, asked), *_planned(request, asked))
    jobs = Subquery(job_lists(OuterRef("pk")))
    marks = DoNotUse.objects.filter(vehicle=OuterRef("vehicle"), cleared_at=None)
    return found.values(
        *LISTED,
        number_of_vehicle=F("vehicle__fleet_number"),
        plate=F("vehicle__registration"),
        at=F("depot__slug"),
        who=F("assigned_to__username"),
        job_list=jobs,
        do_not_use=Exists(marks),
    )


def _chosen(request: Request, asked: Row) -> Q:
    wanted = Q()
    if asked.get("state"):
        wanted &= Q(state__in=sorted(asked["state"]))
    elif asked.get("planned_on") == TODAY:
        wanted &= Q(state__in=AT_WORK)
    if "vehicle" in asked:
        wanted &= Q(vehicle__fleet_number__iexact=asked["vehicle"].strip())
    if asked.get("assigned_to") == ME:
        wanted &= Q(assigned_to=caller(request))
    elif "assigned_to" in asked:
        wanted &= Q(assigned_to__username=asked["assigned_to"])
    return wanted


def _planned(request: Request, asked: Row) -> list[Q]:
    """Within the caller's depots, and for the day asked for, which begins there by local time."""
    depots = depots_for(request)
    if "depot" in asked:
        depots = depots.filter(slug=asked["depot"])
    day = asked.get("planned_on")
    if day != TODAY:
        return [Q(depot__in=depots), Q(planned_on=day) if day else Q()]
    now = timezone.now()
    days = {pk: today_at(zone, now) for pk, zone in depots.values_list("pk", "zone")}
    until = Q(pk__in=[])
    for today, pks in by_day(days):
        until |= Q(depot__in=pks, planned_on__lte=today)
    return [until, Q(planned_on__lte=max(days.values(), default=now.date()))]


def _expanded(asked: Row) -> bool:
    own_day = asked.get("planned_on") == TODAY and asked.get("assigned_to") == ME
    return own_day or asked.get("expand") == CARD


def _cards(rows: Any) -> dict[int, Any]:
    found = jobcard.cards([row["id"] for row in rows])
    return {pk: jobcard.as_json(card) for pk, card in found.items()}
