"""What is on hand, on order and too old, per depot and item."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Min, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from fleet.calc.packs import left_of_receipts
from fleet.stores.models import Arrival, Stock, StockMove

CAME = (StockMove.Kind.RECEIVED, StockMove.Kind.TRANSFERRED_IN)
COLUMNS = (
    *("on_hand", "lead_time_d", "review_period_d", "service_level", "supplier"),
    *("item_id", "depot_id", "on_order", "arrives_on", "counted_at"),
    *("depot__slug", "depot__name", "item__slug", "item__name", "item__kind", "item__unit"),
)


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
    on_order: int  # [mL or pieces]
    arrives_on: date | None  # the next that is on order
    counted_at: datetime | None
    best_before: date | None  # of the oldest that is left, when the oldest is used first
    too_old: int  # past its best before [mL or pieces]
    look: tuple[str, ...]  # what somebody should see to, in words
    lead_time_d: int
    review_period_d: int
    service_level: float
    supplier: str


def levels(depot_ids: Collection[int], today: date) -> list[Level]:
    """Every item that these depots keep, by name; two queries however many there are."""
    rows = list(_rows(Stock.objects.filter(depot__in=depot_ids)))
    receipts = _receipts(depot_ids)
    return [_level(row, receipts[row["depot_id"], row["item_id"]], today) for row in rows]


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


def _receipts(depot_ids: Collection[int]) -> dict[tuple[int, int], list[tuple[int, date | None]]]:
    """Quantity and best before of what came, the newest first, of items that grow old."""
    dated = StockMove.objects.exclude(best_before=None).values("item")
    rows = StockMove.objects.filter(Q(kind__in=CAME), depot__in=depot_ids, item__in=dated)
    found: dict[tuple[int, int], list[tuple[int, date | None]]] = defaultdict(list)
    for depot_id, item_id, quantity, best_before in rows.order_by("-at", "-id").values_list(
        "depot_id", "item_id", "quantity", "best_before"
    ):
        if quantity > 0:
            found[depot_id, item_id].append((quantity, best_before))
    return found


def _level(row: dict[str, Any], came: list[tuple[int, date | None]], today: date) -> Level:
    left = left_of_receipts(row["on_hand"], [quantity for quantity, _ in came])
    dated = [(int(rest), on) for rest, (_, on) in zip(left, came, strict=True) if rest and on]
    too_old = sum(rest for rest, on in dated if on < today)
    return Level(
        depot=row["depot__slug"],
        depot_name=row["depot__name"],
        item=row["item__slug"],
        name=row["item__name"],
        kind=row["item__kind"],
        unit=row["item__unit"],
        on_hand=row["on_hand"],
        on_order=row["on_order"],
        arrives_on=row["arrives_on"],
        counted_at=row["counted_at"],
        best_before=min((on for _, on in dated), default=None),
        too_old=too_old,
        look=_look(row, too_old, today),
        lead_time_d=row["lead_time_d"],
        review_period_d=row["review_period_d"],
        service_level=row["service_level"],
        supplier=row["supplier"],
    )


def _look(row: dict[str, Any], too_old: int, today: date) -> tuple[str, ...]:
    found = []
    if row["on_hand"] < 0:
        found.append("below zero: count it")
    if too_old:
        found.append("past its best before: check and write off")
    if row["arrives_on"] is not None and row["arrives_on"] < today:
        found.append(f"was due on {row['arrives_on']}: ask the supplier")
    return tuple(found)
