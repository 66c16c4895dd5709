"""What stores will need month by month, and what to order now."""

from typing import Any

from django.db.models import F
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.fields import Text, query
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.resource import Resource
from fleet.api.signin import depots_for
from fleet.consumables.listing import MONTHS, MOST_MONTHS, demand
from fleet.consumables.models import OrderProposal
from fleet.stores.models import Item

BY_ITEM = Order("demand", ("at", "slug", "month_on"))
PRESSING_FIRST = Order("order proposals", ("order_by_on", "id"))


class DemandQuery(PageQuery):
    depot = Text(max_length=40, required=False)
    item = Text(max_length=60, required=False)
    months = serializers.IntegerField(
        min_value=1, max_value=MOST_MONTHS, default=MONTHS, help_text="From the present one on"
    )


class DemandShape(serializers.Serializer[Any]):
    depot = serializers.SlugField()
    item = serializers.SlugField()
    unit = serializers.ChoiceField(Item.Unit.choices)
    month = serializers.RegexField(r"^\d{4}-\d{2}$")
    mean = serializers.FloatField(help_text="In the item's unit")
    p50 = serializers.IntegerField()
    p80 = serializers.IntegerField()
    p95 = serializers.IntegerField()
    packs = serializers.IntegerField(allow_null=True, help_text="Whole ones that cover p95")
    order_by = serializers.DateField(
        allow_null=True, help_text="To be there as the month begins; null: not kept at this depot"
    )


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
    on_order = serializers.IntegerField()
    order_by = serializers.DateField()
    capped_by_shelf_life = serializers.BooleanField()


class Demand(Resource):
    scope = "demand"

    @extend_schema(
        operation_id="demand_list",
        parameters=[DemandQuery],
        responses=page_shape("DemandPage", DemandShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, DemandQuery)
        on_page, following = page(request, _rows(request, asked), BY_ITEM, asked)
        return listed([_shown(row) for row in on_page], following)


class OrderProposals(Resource):
    scope = "demand"

    @extend_schema(
        operation_id="order_proposals_list",
        parameters=[ProposalQuery],
        responses=page_shape("ProposalPage", ProposalShape),
    )
    def get(self, request: Request) -> Response:
        asked = query(request, ProposalQuery)
        rows = OrderProposal.objects.filter(depot__in=_depots(request, asked)).values(
            *("id", "packs", "quantity", "needed", "on_hand", "on_order", "order_by_on"),
            "capped_by_shelf_life",
            at=F("depot__slug"),
            slug=F("item__slug"),
            of_item=F("item__unit"),
            size=F("pack__quantity"),
        )
        on_page, following = page(request, rows, PRESSING_FIRST, asked)
        return listed([_proposal(row) for row in on_page], following)


def _depots(request: Request, asked: Row) -> Any:
    depots = depots_for(request)
    return depots.filter(slug=asked["depot"]) if "depot" in asked else depots


def _rows(request: Request, asked: Row) -> Any:
    present = timezone.now().date().replace(day=1)
    index = present.year * 12 + present.month - 1 + asked["months"]
    until = present.replace(year=index // 12, month=index % 12 + 1)
    found = demand().filter(
        depot__in=_depots(request, asked), month_on__gte=present, month_on__lt=until
    )
    if "item" in asked:
        found = found.filter(item__slug=asked["item"])
    return found.values(
        *("mean", "p50", "p80", "p95", "packs", "month_on", "order_by_on"),
        at=F("depot__slug"),
        slug=F("item__slug"),
        of_item=F("item__unit"),
    )


def _shown(row: Row) -> Row:
    return {
        "depot": row["at"],
        "item": row["slug"],
        "unit": row["of_item"],
        "month": f"{row['month_on']:%Y-%m}",
        "mean": round(row["mean"], 1),
        **{name: row[name] for name in ("p50", "p80", "p95", "packs")},
        "order_by": row["order_by_on"],
    }


def _proposal(row: Row) -> Row:
    return {
        "depot": row["at"],
        "item": row["slug"],
        "unit": row["of_item"],
        "pack_quantity": row["size"],
        **{name: row[name] for name in ("packs", "quantity", "needed", "on_hand", "on_order")},
        "order_by": row["order_by_on"],
        "capped_by_shelf_life": row["capped_by_shelf_life"],
    }
