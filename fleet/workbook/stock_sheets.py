"""Sheets on stores: items, their packs, and how each depot orders. What is there is counted in."""

from fleet.stores.models import Item, Pack, Stock
from fleet.stores.money import from_minor, to_minor
from fleet.workbook.cells import (
    LONG_TEXT,
    SLUG,
    TEXT,
    YES_NO,
    Cell,
    Kind,
    choice_of,
    number_of,
    whole_of,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import DEPOT_LINK, DEPOT_REF, SOURCE

_AMOUNT = number_of(example="12.50", high=10_000_000)
_DAYS = whole_of(example="730", low=1, high=36_500)
_ITEM_REF = Column(
    "item",
    "Item",
    SLUG,
    "As named in sheet Items.",
    required=True,
    key=True,
    path="item__slug",
    refers="Items",
)
_ITEM_LINK = Link("item_id", "Items", ("item",))


def _price(cell: Cell) -> int:
    return to_minor(_AMOUNT.read(cell))


MONEY = Kind(
    _price, lambda minor: None if minor is None else from_minor(minor), style="number", width=12
)

ITEMS = Sheet(
    "Items",
    Item,
    "What stores keep: fluids, filters, seals, one-time fixings.",
    (
        Column("slug", "Item", SLUG, "Short name.", required=True, key=True),
        Column("name", "Name", TEXT, "As materials of procedures name it.", required=True),
        Column("kind", "Kind", choice_of(Item.Kind.values), "", required=True),
        Column("unit", "Unit", choice_of(Item.Unit.values), "mL or pieces.", required=True),
        Column(
            "product",
            "Product",
            SLUG,
            "Of a fluid, as named in sheet Products.",
            path="product__slug",
            refers="Products",
        ),
        Column(
            "draw",
            "Draw",
            choice_of(Item.Draw.values),
            "Whole packs per job: the rest of an opened pack is thrown away.",
            default=Item.Draw.OPENED_KEPT.value,
        ),
        Column("shelf_life_d", "Shelf life [days]", _DAYS, "Sealed; empty: no limit."),
        Column(
            "after_opening_life_d", "Life after opening [days]", _DAYS, "Empty: as the shelf life."
        ),
        Column(
            "part_number",
            "Part number",
            TEXT,
            "The maker's own, with its issuer where several are about.",
        ),
        Column("waste_class", "Waste class", TEXT, "Once used, e.g. used oil."),
        Column(
            "hygroscopic",
            "Hygroscopic",
            YES_NO,
            "yes when it takes up water from air; no if empty.",
        ),
        SOURCE,
    ),
    links=(Link("product_id", "Products", ("product",)),),
)

PACKS = Sheet(
    "Packs",
    Pack,
    "In which sizes an item is bought, and for how much, net of tax.",
    (
        _ITEM_REF,
        Column(
            "quantity",
            "Holds [mL or pieces]",
            whole_of(example="1000", low=1, high=2_000_000_000),
            "In the unit of the item: a litre is 1000.",
            required=True,
            key=True,
        ),
        Column("price_minor", "Price", MONEY, "Of one pack, net; empty: not known."),
        Column("price_source", "Price source", TEXT, "E.g. price list and its date."),
        Column("preferred", "Preferred", YES_NO, "yes for the pack to order; no if empty."),
        Column(
            "why_it_stands",
            "Why it stands",
            LONG_TEXT,
            "Where size or price is asked about: why it is right all the same.",
        ),
    ),
    links=(_ITEM_LINK,),
)

STOCK = Sheet(
    "Stock",
    Stock,
    "How a depot orders an item. What is there is no column: it is received or counted in.",
    (
        DEPOT_REF,
        _ITEM_REF,
        Column(
            "lead_time_d",
            "Lead time [days]",
            whole_of(example="7", high=365),
            "From order to arrival; 7 if empty (our choice).",
            default=7,
        ),
        Column(
            "review_period_d",
            "Review period [days]",
            whole_of(example="30", low=1, high=365),
            "How often orders are placed; 30 if empty (our choice).",
            default=30,
        ),
        Column(
            "service_level",
            "Service level",
            number_of(example="0.95", low=0.5, high=0.999),
            "Share of order cycles without a gap; 0.95 if empty (our choice).",
            default=0.95,
        ),
        Column("supplier", "Supplier", TEXT, "In words."),
        Column("shelf_place", "Shelf place", TEXT, "Where it stands at the depot, e.g. B 3."),
    ),
    links=(DEPOT_LINK, _ITEM_LINK),
)
