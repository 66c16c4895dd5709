"""What stores will need month by month, and what to order now."""

from dataclasses import asdict
from typing import Any

from django.db.models import F
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import depots_asked
from fleet.api.fields import Text, query
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.resource import Resource
from fleet.api.rows import Rows
from fleet.api.shapes import shape_of
from fleet.api.signin import today_for
from fleet.consumables.listing import (
    COLUMNS,
    MONTHS,
    MOST_MONTHS,
    DemandRow,
    Wrong,
    demand,
    described,
    from_now_on,
    with_record,
)
from fleet.consumables.models import OrderProposal, TransferProposal
from fleet.stores.models import Item

BY_ITEM = Order("demand", ("at", "slug", "month_on"))
PRESSING_FIRST = Order("order proposals", ("order_by_on", "id"))
TRANSFERS = Order("transfer proposals", ("order_by_on", "id"))


class DemandQuery(PageQuery):
    depot = Text(max_length=40, required=False)
    item = Text(max_length=60, required=False)
    months = serializers.IntegerField(
        min_value=1, max_value=MOST_MONTHS, default=MONTHS, help_text="From the present one on"
    )


DemandShape = shape_of(DemandRow)


class ProposalQuery(PageQuery):
    depot = Text(max_length=40, required=False)


class ProposalShape(serializers.Serializer[Any]):
    depot = serializers.SlugField()
    item = serializers.SlugField()
    unit = serializers.ChoiceField(Item.Unit.choices)
    packs = serializers.IntegerField()
    pack_quantity = serializers.IntegerField(allow_null=True)
    quantity = serializers.IntegerField()
    needed = serializers.IntegerField(help_text="Over lead time and review period")
    on_hand = serializers.IntegerField()
    usable = serializers.IntegerField(help_text="Of what is on hand, before it is too old")
    on_order = serializers.IntegerField(help_text="Without orders more than a week late")
    transferred = serializers.IntegerField(help_text="Proposed from other depots instead")
    order_by = serializers.DateField()
    capped_by_shelf_life = serializers.BooleanField()
    record_wrong = serializers.ChoiceField(
        [("", "nothing"), *Wrong.choices],
        help_text="Why the record of the shelf cannot be right: count it before you order",
    )


SHOWN = Rows(
    OrderProposal,
    ProposalShape,
    unit="item__unit",
    pack_quantity="pack__quantity",
    order_by="order_by_on",
)


class TransferShape(serializers.Serializer[Any]):
    depot = serializers.SlugField(help_text="The one that lacks it")
    from_depot = serializers.SlugField(help_text="The one that has more than it needs")
    item = serializers.SlugField()
    unit = serializers.ChoiceField(Item.Unit.choices)
    quantity = serializers.IntegerField()
    needed = serializers.IntegerField(help_text="Over lead time and review period")
    usable = serializers.IntegerField(help_text="Where it is lacking, before it is too old")
    on_order = serializers.IntegerField()
    order_by = serializers.DateField(help_text="When an order would be due instead")
    record_wrong = serializers.ChoiceField(
        [("", "nothing"), *Wrong.choices], help_text="Likewise, of the depot that lacks it"
    )


SHOWN_TRANSFERS = Rows(TransferProposal, TransferShape, unit="item__unit", order_by="order_by_on")


class Demand(Resource):
    scope = "demand"

    @extend_schema(
        operation_id="demand_list",
        parameters=[DemandQuery],
        responses=page_shape("DemandPage", DemandShape),
        description="Need by month, as of the last night, beside the stock as it is now, in the "
        "item's unit. Cumulative is the sum of the means from the present month on. Usable is what "
        "of the stock will be used before it is too old. Free is what is left of it, and of orders "
        "that come by then, when the need to the month's end is met; below 0 it is lacking. Pack "
        "is what one pack holds. Packs and order_by are of the order that is proposed, else null. "
        "Runs_out is the first day without stock, as expected.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, DemandQuery)
        on_page, following = page(request, _rows(request, asked), BY_ITEM, asked)
        rows = described(on_page, today_for(request))
        return listed([asdict(row) for row in rows], following)


class OrderProposals(Resource):
    scope = "demand"

    @extend_schema(
        operation_id="order_proposals_list",
        parameters=[ProposalQuery],
        responses=page_shape("ProposalPage", ProposalShape),
    )
    def get(self, request: Request) -> Response:
        """What each depot should order, as of the last night, the most pressing first; nothing is
        ordered by it.
        """
        asked = query(request, ProposalQuery)
        own = OrderProposal.objects.filter(depot__in=depots_asked(request, asked))
        rows = with_record(own, "on_hand")
        return SHOWN.page(request, rows, PRESSING_FIRST, asked, "id")


class TransferProposals(Resource):
    """What another depot has beyond its own need: move it by ``stock-moves``, kind transferred."""

    scope = "demand"

    @extend_schema(
        operation_id="transfer_proposals_list",
        parameters=[ProposalQuery],
        responses=page_shape("TransferPage", TransferShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, ProposalQuery)
        own = TransferProposal.objects.filter(depot__in=depots_asked(request, asked))
        rows = with_record(own, "usable")
        return SHOWN_TRANSFERS.page(request, rows, TRANSFERS, asked, "id")


def _rows(request: Request, asked: Row) -> Any:
    today = today_for(request)
    own = demand().filter(depot__in=depots_asked(request, asked))
    found = from_now_on(own, today, asked["months"])
    if "item" in asked:
        found = found.filter(item__slug=asked["item"])
    return found.values(*COLUMNS, at=F("depot__slug"), slug=F("item__slug"))
