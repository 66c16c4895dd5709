"""What stores keep, what is there, and what moved."""

from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from django.db.models import F, Q
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.acting import Act, Past, sender, wrong
from fleet.api.fields import Day, Strict, Text, body, query
from fleet.api.paging import Order, PageQuery, Row, listed, page, page_shape
from fleet.api.repeats import Answer, once
from fleet.api.resource import Resource, one_or_404
from fleet.api.rows import Rows
from fleet.api.shapes import shape_of
from fleet.api.signin import depots_for
from fleet.calc.grades import Limit, misfits
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores import ledger
from fleet.stores.doubt import Because
from fleet.stores.grades import FIGURES, figures_of, grade_limits
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.levels import Level, levels
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.moves import items, moves_at
from fleet.vehicles.models import Depot

BY_SLUG = Order("items", ("slug",))
NEWEST_FIRST = Order("stock moves", ("id",), descending=True)
PLAIN = (
    *("slug", "name", "kind", "unit", "draw", "shelf_life_d", "after_opening_life_d"),
    *("part_number", "waste_class", "hygroscopic", "source"),
)
GIVEN = ("received", "used", "counted", "written off", "transferred")
QUANTITY_MAX = 2_000_000_000  # what the columns hold


class ItemQuery(PageQuery):
    kind = serializers.ChoiceField(Item.Kind.choices, required=False)


class ItemPackShape(serializers.Serializer[Any]):
    quantity = serializers.IntegerField(help_text="In the item's unit: mL or pieces")
    price_minor = serializers.IntegerField(allow_null=True, help_text="Net, in minor units")
    price_source = serializers.CharField()
    preferred = serializers.BooleanField()


class ItemShape(serializers.Serializer[Any]):
    slug = serializers.SlugField()
    name = serializers.CharField()
    kind = serializers.ChoiceField(Item.Kind.choices)
    unit = serializers.ChoiceField(Item.Unit.choices)
    product = serializers.SlugField(allow_null=True, help_text="Of a fluid")
    grade = serializers.CharField(allow_null=True)
    draw = serializers.ChoiceField(Item.Draw.choices)
    shelf_life_d = serializers.IntegerField(allow_null=True, help_text="Sealed")
    after_opening_life_d = serializers.IntegerField(allow_null=True)
    part_number = serializers.CharField(help_text="The maker's own; empty: not known")
    waste_class = serializers.CharField()
    hygroscopic = serializers.BooleanField()
    source = serializers.CharField()  # type: ignore[assignment]
    packs = ItemPackShape(many=True)
    grade_warnings = serializers.ListField(
        child=serializers.CharField(),
        help_text="Figures of the data sheet that do not fit the grade, with the limits",
    )


class StockQuery(Strict):
    depot = Text(max_length=40, required=False)
    item = Text(max_length=60, required=False)


class StockAnswer(serializers.Serializer[Any]):
    rows = shape_of(Level)(many=True)


class MoveQuery(PageQuery):
    depot = Text(max_length=40, required=False)
    item = Text(max_length=60, required=False)
    kind = serializers.ChoiceField(StockMove.Kind.choices, required=False)
    order_number = Text(max_length=20, required=False)


class MoveShape(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    depot = serializers.SlugField()
    item = serializers.SlugField()
    unit = serializers.ChoiceField(Item.Unit.choices)
    kind = serializers.ChoiceField(StockMove.Kind.choices)
    quantity = serializers.IntegerField(help_text="What came is positive, what went negative")
    at = serializers.DateTimeField()
    reason = serializers.CharField()
    price_minor = serializers.IntegerField(
        allow_null=True, help_text="Net, of all of it, signed like the quantity"
    )
    batch = serializers.CharField()
    best_before = serializers.DateField(allow_null=True)
    order_number = serializers.CharField(help_text="Of the work order that used it")
    other_depot = serializers.SlugField(allow_null=True, help_text="Of a transfer")
    person = serializers.CharField(allow_null=True)
    channel = serializers.CharField()


SHOWN_MOVES = Rows(StockMove, MoveShape, unit="item__unit")


class MovesMade(serializers.Serializer[Any]):
    rows = MoveShape(many=True)


class StockAct(Act):
    """What happened to stock, when: a later instant is refused by the ledger, and not moved."""

    performed_at = Past(required=False, help_text="By default now; at most 60 days ago")


class MoveGiven(StockAct):
    kind = serializers.ChoiceField(GIVEN)
    depot = Text(max_length=40, help_text="Of a transfer, the one that gives")
    item = Text(max_length=60)
    quantity = serializers.IntegerField(
        min_value=0,
        max_value=QUANTITY_MAX,
        help_text="mL or pieces; never signed. Of a count, what was found, which may be 0",
    )
    reason = Text(max_length=300, required=False, help_text="Required unless received, transferred")
    to_depot = Text(max_length=40, required=False, help_text="Of a transfer")
    price_minor = serializers.IntegerField(
        required=False,
        min_value=0,
        max_value=QUANTITY_MAX,
        help_text="Of what was received: net, of all of it",
    )
    batch = Text(max_length=60, required=False)
    best_before = Day(required=False)
    arrival = serializers.IntegerField(
        required=False, min_value=1, max_value=2**31 - 1, help_text="What was on order and came"
    )
    override_reason = Text(
        max_length=200,
        required=False,
        help_text="Why it stands, where it was asked about one thing; kept with the move",
    )
    override_reasons = serializers.DictField(
        child=Text(max_length=200),
        required=False,
        help_text="Where several things were asked about: a reason for each, by its name",
    )


class TakeBackGiven(StockAct):
    reason = Text(max_length=300)


class Items(Resource):
    scope = "items"

    @extend_schema(
        operation_id="items_list",
        parameters=[ItemQuery],
        responses=page_shape("ItemPage", ItemShape),
    )
    def get(self, request: Request) -> Response:
        """What stores keep: items with their packs and prices, and a warning where a data sheet
        does not fit the grade.
        """
        asked = query(request, ItemQuery)
        found = items(asked.get("kind")).values(
            *("id", *PLAIN, *(f"product__{name}" for name in FIGURES.values())),
            product_slug=F("product__slug"),
            product_grade=F("product__grade"),
        )
        on_page, following = page(request, found, BY_SLUG, asked)
        packs, limits = _packs([row["id"] for row in on_page]), grade_limits()
        return listed([_item(row, packs, limits) for row in on_page], following)


def _packs(item_ids: list[int]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {item_id: [] for item_id in item_ids}
    for item in Item.objects.filter(pk__in=item_ids).prefetch_related("packs"):
        found[item.pk] = [
            {
                "quantity": pack.quantity,
                "price_minor": pack.price_minor,
                "price_source": pack.price_source,
                "preferred": pack.preferred,
            }
            for pack in item.packs.all()
        ]
    return found


def _item(row: Row, packs: dict[int, list[Row]], limits: list[Limit]) -> Row:
    sheet = figures_of({name: row[f"product__{name}"] for name in FIGURES.values()})
    return {
        **{name: row[name] for name in PLAIN},
        "product": row["product_slug"],
        "grade": row["product_grade"],
        "packs": packs[row["id"]],
        "grade_warnings": [
            found.text for found in misfits(row["product_grade"] or "", sheet, limits)
        ],
    }


class StockLevels(Resource):
    scope = "items"

    @extend_schema(
        operation_id="stock_list",
        parameters=[StockQuery],
        responses=StockAnswer,
        description="On hand is the sum of the moves; below zero it must be counted. Usable is "
        "what of it is not past its best before. Lots are the oldest first: what nobody labelled "
        "falls on the oldest, what a count finds more is a lot without a label.",
    )
    def get(self, request: Request) -> Response:
        asked = query(request, StockQuery)
        depots = depots_for(request)
        if "depot" in asked:
            depots = depots.filter(slug=asked["depot"])
        found = levels([depot.pk for depot in depots], timezone.now())
        rows = [asdict(row) for row in found if asked.get("item", row.item) == row.item]
        return Response({"rows": rows})


class StockMoves(Resource):
    scope = "stock-moves"
    rights = {"GET": Right.SEE, "POST": Right.KEEP_STOCK}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="stock_moves_list",
        parameters=[MoveQuery],
        responses=page_shape("MovePage", MoveShape),
    )
    def get(self, request: Request) -> Response:
        """What came to stores and went from them, last booked first, by work orders as well."""
        asked = query(request, MoveQuery)
        found = moves_at(depots_for(request), asked.get("kind"))
        for name in ("depot", "item"):
            if name in asked:
                found = found.filter(Q(**{f"{name}__slug": asked[name]}))
        if "order_number" in asked:
            found = found.filter(order_number=asked["order_number"])
        return SHOWN_MOVES.page(request, found, NEWEST_FIRST, asked)

    @extend_schema(operation_id="stock_moves_add", request=MoveGiven, responses={201: MovesMade})
    def post(self, request: Request) -> Response:
        """Receive, use, count, write off or transfer. Work orders book what they use themselves."""
        given = body(request, MoveGiven)
        depot, item = depot_or_404(request, given["depot"]), _item_named(given["item"])
        to_depot = depot_or_404(request, given["to_depot"]) if "to_depot" in given else None
        place = {"depot": depot, "item": item}

        def effect() -> Answer:
            actor = sender(request, given)
            moved = _moved(actor, given, place, to_depot)
            return Answer(_made(moved), HTTPStatus.CREATED)

        return once(request, effect)


class TakeBack(Resource):
    """Undo a move by its opposite; both stay."""

    scope = "stock-moves"
    rights = {"POST": Right.KEEP_STOCK}
    repeatable = ("POST",)

    @extend_schema(
        operation_id="stock_moves_take_back", request=TakeBackGiven, responses={201: MovesMade}
    )
    def post(self, request: Request, move_id: int) -> Response:
        seen = StockMove.objects.filter(depot__in=depots_for(request))
        move = one_or_404(
            seen.select_related("depot", "item").filter(pk=move_id),
            f"There is no stock move {move_id} within your depots.",
        )
        given = body(request, TakeBackGiven)

        def effect() -> Answer:
            back = ledger.take_back(sender(request, given), move, reason=given["reason"])
            return Answer(_made([back]), HTTPStatus.CREATED)

        return once(request, effect)


def _moved(
    actor: Actor, given: Row, place: dict[str, Any], to_depot: Depot | None
) -> list[StockMove]:
    quantity, reason = given["quantity"], given.get("reason", "")
    because: dict[str, Any] = {"override_reason": _because(given)}
    batch: dict[str, Any] = {"batch": given.get("batch", ""), **because}
    match given["kind"]:
        case "received":
            return [_received(actor, given, place)]
        case "used":
            return [ledger.use(actor, TakenOff(**place, **batch, quantity=quantity, reason=reason))]
        case "counted":
            return [ledger.count(actor, **place, **because, counted=quantity, reason=reason)]
        case "written off":
            return [
                ledger.write_off(
                    actor, TakenOff(**place, **batch, quantity=quantity, reason=reason)
                )
            ]
    if to_depot is None:
        raise wrong("to_depot", "Say to which depot it goes.")
    return ledger.transfer(
        actor,
        Transfer(
            from_depot=place["depot"],
            to_depot=to_depot,
            item=place["item"],
            quantity=quantity,
            reason=reason,
            best_before=given.get("best_before"),
            **batch,
        ),
    )


def _received(actor: Actor, given: Row, place: dict[str, Any]) -> StockMove:
    arrival = None
    if "arrival" in given:
        arrival = Arrival.objects.filter(pk=given["arrival"], depot=place["depot"]).first()
        if arrival is None:
            raise wrong("arrival", f"Nothing of number {given['arrival']} is on order there.")
    return ledger.receive(
        actor,
        Receipt(
            **place,
            quantity=given["quantity"],
            price_minor=given.get("price_minor"),
            batch=given.get("batch", ""),
            best_before=given.get("best_before"),
            arrival=arrival,
            reason=given.get("reason", ""),
            override_reason=_because(given),
        ),
    )


def _because(given: Row) -> Because:
    by_doubt: dict[str, str] = given.get("override_reasons", {})
    one: str = given.get("override_reason", "")
    return by_doubt or one


def depot_or_404(request: Request, slug: str) -> Depot:
    return one_or_404(
        depots_for(request).filter(slug=slug), f"There is no depot {slug} within your depots."
    )


def _item_named(slug: str) -> Item:
    found = Item.objects.filter(slug=slug).first()
    if found is None:
        raise wrong("item", f"Stores keep no item {slug}: GET items lists them.")
    return found


def _made(moves: list[StockMove]) -> Row:
    rows = StockMove.objects.filter(pk__in=[move.pk for move in moves]).order_by("id")
    return {"rows": SHOWN_MOVES.all(rows)}
