"""Work orders: the list, a mechanic's day with its job cards, one with its history, new ones."""

from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from django.urls import reverse
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import (
    Act,
    order_id_or_404,
    person_named,
    sender,
    services_named,
    version_tag,
    with_tag,
)
from fleet.api.etags import listed_with_tag, shown
from fleet.api.fields import Day, Number, Strict, Text, body, query
from fleet.api.orders.listed import ME, TODAY, orders_listed
from fleet.api.orders.shapes import (
    OrderRow,
    OrderShape,
    OtherWork,
    RecordsShape,
    listed_row,
    recorded,
    whole,
)
from fleet.api.paging import PageQuery, Row, page_shape
from fleet.api.repeats import Answer, once, refreshed
from fleet.api.resource import Resource, vehicle_or_404
from fleet.api.shapes import shape_of
from fleet.api.signin import caller, reached_by
from fleet.people.roles import Right
from fleet.reads import together
from fleet.trials.blind import orders_shown
from fleet.visits.order_days import why_it_stands
from fleet.workorders import cardjson, issue, jobcard, outside, restrictions
from fleet.workorders.elsewhere import DueElsewhere, Here, due_beside
from fleet.workorders.issue import OrderDraft
from fleet.workorders.models import Raising, WorkOrder
from fleet.workorders.outside import InvoicedWork

CARD = "card"
COST_MAX = 2_000_000_000  # what the column holds

CardShape = shape_of(jobcard.Card)
DueElsewhereShape = shape_of(DueElsewhere)


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
        help_text="A date; or `today`, at each order's depot: own work that is planned for today "
        "or left over from before, and what is under way without a day; released, started or "
        "waiting unless `state` says otherwise. With `assigned_to=me`: mine and nobody's",
    )
    assigned_to = Text(
        required=False,
        help_text="A user name, or `me`: exactly these, but with `planned_on=today` `me` has "
        "nobody's as well, as on the page of today's orders",
    )
    expand = serializers.ChoiceField(
        [CARD],
        required=False,
        help_text="`card`: each order with its job card. `assigned_to=me` with `planned_on`, "
        "`today` or a date, has them without being asked",
    )


class OrderWithCard(OrderRow):
    do_not_use = serializers.BooleanField(help_text="The vehicle must not be used")
    restrictions = serializers.ListField(
        child=serializers.CharField(), help_text="That stand on the vehicle; see `restrictions`"
    )
    also_due = DueElsewhereShape(
        many=True,
        allow_null=True,
        help_text="On the vehicle, on other orders; null unless `planned_on` is `today`",
    )
    card = CardShape(allow_null=True, help_text="Unless expanded: null")


class OrderGiven(Act):
    vehicle = Text(max_length=40, help_text="Fleet number")
    services = serializers.ListField(
        child=Text(max_length=40), max_length=50, default=list, help_text="Slugs"
    )
    other_work = OtherWork(many=True, required=False, default=list)
    planned_on = Day(required=False)
    assigned_to = Text(max_length=150, required=False, help_text="User name")
    raising = serializers.ChoiceField(Raising.choices, default=Raising.LIFT)
    override_reason = Text(
        max_length=300,
        default="",
        allow_blank=True,
        help_text="Answers what was asked about how it is raised, or about its day",
    )
    reason = Text(max_length=300, default="", allow_blank=True)
    join_early = serializers.BooleanField(
        default=False, help_text="Services within their early window join, when asked"
    )


class OutsideGiven(Strict):
    vehicle = Text(max_length=40, help_text="Fleet number")
    services = serializers.ListField(child=Text(max_length=40), min_length=1, max_length=50)
    done_on = Day(help_text="The day the work was done; late papers are back-dated")
    odometer_km = Number(required=False, min_value=0, max_value=1e8)
    total_h = Number(required=False, min_value=0, max_value=1e6, help_text="Engine hours")
    workshop_name = Text(max_length=120)
    invoice_number = Text(max_length=60)
    cost_minor = serializers.IntegerField(
        required=False, min_value=0, max_value=COST_MAX, help_text="Net of tax, in minor units"
    )
    override_reason = Text(
        max_length=300,
        allow_blank=True,
        default="",
        help_text="Why the odometer stands although the readings contradict it",
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
        """Work orders, newest first, or by day where `planned_on` is asked for; on request with
        their job cards.
        """
        asked = query(request, OrderQuery)
        on_page, following = orders_listed(request, asked)
        cards = _cards(request, on_page) if _expanded(asked) else {}
        of_today = asked.get("planned_on") == TODAY
        stands, also_due = _beside(request, on_page, cards, of_today)
        shown_rows = [
            {
                **listed_row(row),
                "do_not_use": row["do_not_use"],
                "restrictions": stands.get(row["id"], ()),
                "also_due": also_due.get(row["id"], ()) if of_today else None,
                "card": cards.get(row["id"]),
            }
            for row in on_page
        ]
        answer: Response = listed_with_tag(request, shown_rows, following)
        return answer

    @extend_schema(
        operation_id="work_orders_draft", request=OrderGiven, responses={201: OrderShape}
    )
    def post(self, request: Request) -> Response:
        """Drafts an order for a vehicle, of services or other work in words; release is its own
        act. A service that has an open job already is refused.
        """
        given = body(request, OrderGiven)
        vehicle = vehicle_or_404(request, given["vehicle"])
        services = services_named(vehicle, given["services"])
        person = person_named(
            given.get("assigned_to"), Right.RECORD_WORK, vehicle.depot_id, "assigned_to"
        )

        def effect() -> Answer:
            acting, on = sender(request, given), given.get("planned_on")
            because = given["override_reason"]
            order = issue.draft(
                acting,
                OrderDraft(
                    vehicle_id=vehicle.pk,
                    service_ids=[service.pk for service in services],
                    other_work=[(one["title"], one["minutes"]) for one in given["other_work"]],
                    planned_on=on,
                    why_it_stands=why_it_stands(vehicle, vehicle.depot, on, because, acting.now),
                    assigned_to=person,
                    raising=given["raising"],
                    override_reason=because,
                    reason=given["reason"],
                    join_early=given["join_early"],
                ),
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
                sender(request, given),
                InvoicedWork(
                    vehicle=vehicle,
                    services=services,
                    done_on=given["done_on"],
                    odometer_km=given.get("odometer_km"),
                    total_h=given.get("total_h"),
                    workshop_name=given["workshop_name"],
                    invoice_number=given["invoice_number"],
                    cost_minor=given.get("cost_minor"),
                    override_reason=given["override_reason"],
                ),
            )
            return made(order)

        return with_tag(once(request, effect, refreshed(vehicle.pk)))


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
        """All that a mechanic needs at the vehicle on one card. It names fluids: a rater who sees
        that of a vehicle in a blinded trial rates this vehicle no more.
        """
        order_id = order_id_or_404(request, number)
        _named(request, [order_id])
        card = jobcard.card(order_id, reached_by(request))
        response: Response = shown(request, cardjson.as_json(card))
        return response


class OrderRecords(Resource):
    """What was recorded on an order; these rows are added without a new version of the order."""

    scope = "work-orders"

    @extend_schema(operation_id="work_orders_records", responses=RecordsShape)
    def get(self, request: Request, number: str) -> Response:
        order_id = order_id_or_404(request, number)
        _named(request, [order_id])
        response: Response = shown(request, recorded(order_id))
        return response


def _named(request: Request, order_ids: list[int]) -> None:
    """Note that fluids were named: who sees a trial vehicle's no longer rates it blind."""
    orders_shown(caller(request), order_ids, "the job card", timezone.now())


def made(order: WorkOrder) -> Answer:
    where = reverse("api-work-order", args=[order.number])
    return Answer(whole(order.pk), HTTPStatus.CREATED, where)


# --- the list ------------------------------------------------------------------------------
def _expanded(asked: Row) -> bool:
    own_day = "planned_on" in asked and asked.get("assigned_to") == ME
    return own_day or asked.get("expand") == CARD


def _here(rows: Any) -> list[Here]:
    return [Here(row["id"], row["vehicle_id"], row["state"], row["zone"]) for row in rows]


def _beside(
    request: Request, rows: Any, cards: dict[int, Any], of_today: bool
) -> tuple[dict[int, Any], dict[int, Any]]:
    """What restricts the vehicles of orders, and what else is due on them: by order, as the cards
    have it, where there are any."""
    if cards:
        names = ("restrictions", "also_due")
        stands, also_due = ({pk: card[name] for pk, card in cards.items()} for name in names)
        return stands, also_due
    shared = [row for row in rows if row["has_others"]] if of_today else []
    of_vehicle, beside = together(
        restrictions.texts.steps({row["vehicle_id"] for row in rows if row["restricted"]}),
        due_beside.steps(_here(shared), reached_by(request) if shared else ()),
    )
    return (
        {row["id"]: of_vehicle.get(row["vehicle_id"], ()) for row in rows},
        {pk: [asdict(one) for one in found] for pk, found in beside.items()},
    )


def _cards(request: Request, rows: Any) -> dict[int, Any]:
    order_ids = [row["id"] for row in rows]
    if order_ids:
        _named(request, order_ids)
    return cardjson.all_as_json(jobcard.cards(order_ids, reached_by(request)))
