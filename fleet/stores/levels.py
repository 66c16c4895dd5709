"""What is on hand, on order and too old, per depot and item."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Min, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from fleet.calc.lots import Lot
from fleet.stores.lots import lots_of
from fleet.stores.models import Arrival, Stock, StockMove
from fleet.today import today_at

COLUMNS = (
    *("on_hand", "lead_time_d", "review_period_d", "service_level", "supplier", "shelf_place"),
    *("item_id", "depot_id", "on_order", "arrives_on", "counted_at"),
    *(
        "depot__slug",
        "depot__name",
        "depot__zone",
        "item__slug",
        "item__name",
        "item__kind",
        "item__unit",
        "item__part_number",
    ),
)


@dataclass(frozen=True)
class LotLevel:
    """What is left of a lot [mL or pieces]."""

    batch: str
    best_before: date | None
    left: int
    too_old: bool


@dataclass(frozen=True)
class Level:
    """An item at a depot."""

    depot: str
    depot_name: str
    item: str
    name: str
    kind: str
    unit: str
    on_hand: int  # [mL or pieces]
    usable: int  # of it, not past its best before [mL or pieces]
    on_order: int  # [mL or pieces]
    arrives_on: date | None  # the next that is on order
    counted_at: datetime | None
    best_before: date | None  # of the oldest lot
    too_old: int  # past its best before [mL or pieces]
    lots: tuple[LotLevel, ...]  # the oldest first; of an item that grows old
    look: tuple[str, ...]  # what somebody should see to, in words
    lead_time_d: int
    review_period_d: int
    service_level: float
    supplier: str
    part_number: str  # the maker's
    shelf_place: str


def levels(depot_ids: Collection[int], now: datetime) -> list[Level]:
    """Every item that these depots keep, by name; two queries however many there are."""
    rows = list(_rows(Stock.objects.filter(depot__in=depot_ids)))
    lots = lots_of({(row["depot_id"], row["item_id"]): row["on_hand"] for row in rows})
    return [
        _level(row, lots[row["depot_id"], row["item_id"]], today_at(row["depot__zone"], now))
        for row in rows
    ]


def _rows(found: QuerySet[Stock]) -> Any:
    on_order = (
        Arrival.objects.filter(depot=OuterRef("depot"), item=OuterRef("item"), received_on=None)
        .order_by()
        .values("item")
    )
    counts = StockMove.objects.filter(
        depot=OuterRef("depot"), item=OuterRef("item"), kind=StockMove.Kind.COUNTED
    )
    return (
        found.annotate(
            on_order=Coalesce(Subquery(on_order.annotate(all=Sum("quantity")).values("all")), 0),
            arrives_on=Subquery(on_order.annotate(first=Min("due_on")).values("first")),
            counted_at=Subquery(counts.order_by("-at", "-id").values("at")[:1]),
        )
        .order_by("depot__name", "item__name", "item__slug")
        .values(*COLUMNS)
    )


def _level(row: dict[str, Any], on_shelf: Sequence[Lot], today: date) -> Level:
    lots = tuple(
        LotLevel(lot.batch, lot.best_before, lot.left, lot.past(today))
        for lot in on_shelf
        if any(one.best_before for one in on_shelf)
    )
    too_old = sum(lot.left for lot in lots if lot.too_old)
    return Level(
        depot=row["depot__slug"],
        depot_name=row["depot__name"],
        item=row["item__slug"],
        name=row["item__name"],
        kind=row["item__kind"],
        unit=row["item__unit"],
        on_hand=row["on_hand"],
        usable=row["on_hand"] - too_old,
        on_order=row["on_order"],
        arrives_on=row["arrives_on"],
        counted_at=row["counted_at"],
        best_before=lots[0].best_before if lots else None,
        too_old=too_old,
        lots=lots,
        look=_look(row, too_old, today),
        lead_time_d=row["lead_time_d"],
        review_period_d=row["review_period_d"],
        service_level=row["service_level"],
        supplier=row["supplier"],
        part_number=row["item__part_number"],
        shelf_place=row["shelf_place"],
    )


def _look(row: dict[str, Any], too_old: int, today: date) -> tuple[str, ...]:
    found = []
    if row["on_hand"] < 0:
        found.append("below zero: count it")
    if too_old:
        found.append("past its best before: check and write off")
    if row["arrives_on"] is not None and row["arrives_on"] < today:
        due_on = row["arrives_on"]
        found.append(f"was due on {due_on.day} {due_on:%b %Y}: ask the supplier")
    return tuple(found)


def lead_times(depot_ids: Collection[int]) -> dict[tuple[int, int], int]:
    """Days from an order until it comes, by depot and item."""
    rows = Stock.objects.filter(depot__in=depot_ids).values_list("depot", "item", "lead_time_d")
    return {(depot_id, item_id): days for depot_id, item_id, days in rows}
