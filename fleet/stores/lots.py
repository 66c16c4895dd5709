"""What is left of each lot at a depot, by replaying the ledger."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import date
from typing import Any

from fleet.calc.lots import Lot, Step, lots, past_use
from fleet.reads import Ids, Read, Rows, prepared, reader
from fleet.stores.models import Stock, StockMove
from fleet.stores.prices import TAKEN_BACK

Shelf = tuple[int, int]  # depot, item
FIELDS = (
    *("id", "depot_id", "item_id", "kind", "quantity", "batch", "best_before"),
    *("order_number", "key"),
)


def lots_at(depot_id: int, item_id: int) -> list[Lot]:
    """The lots of one item at one depot, the oldest first."""
    on_hand = Stock.objects.filter(depot=depot_id, item=item_id).values_list("on_hand", flat=True)
    shelf = {(depot_id, item_id): on_hand.first() or 0}
    return lots_of(shelf, every_item=True)[depot_id, item_id]


@reader
def past_on(on_hand: Mapping[Shelf, int], on: Mapping[int, date]) -> Read[dict[Shelf, int]]:
    """How much of each is past its best before on a day of its depot; what is not is left out."""
    kept = yield from lots_of.steps(on_hand)
    found = {shelf: past_use(lots, on[shelf[0]]) for shelf, lots in kept.items()}
    return {shelf: past for shelf, past in found.items() if past}


@reader
def lots_of(
    on_hand: Mapping[Shelf, int], *, every_item: bool = False
) -> Read[dict[Shelf, list[Lot]]]:
    """Bring what is on hand into lots that add up to it, the oldest first; one query.

    Only items that grow old have more than one lot, unless ``every_item`` asks for batches too.
    """
    steps = yield from _steps(
        {depot for depot, _ in on_hand}, {item for _, item in on_hand}, every_item
    )
    found = {}
    for shelf, quantity in on_hand.items():
        moved = steps[shelf]
        # what no move explains was there first, and nobody said of which lot
        opening = Step(quantity - sum(step.quantity for step in moved))
        found[shelf] = lots([opening, *moved])
    return found


def _steps(
    depot_ids: Collection[int], item_ids: Collection[int], every_item: bool
) -> Read[dict[Shelf, list[Step]]]:
    moves = (_moves if every_item else _moves_of_dated)(depot_ids, item_ids)
    yield [moves]
    found: dict[Shelf, list[Step]] = defaultdict(list)
    for row in _as_meant(list(moves)):
        shelf = row["depot_id"], row["item_id"]
        found[shelf].append(Step(row["quantity"], row["batch"], row["best_before"]))
    return found


@prepared
def _moves(depot_ids: Ids, item_ids: Ids) -> Rows:
    rows = StockMove.objects.filter(depot__in=depot_ids, item__in=item_ids)
    return rows.order_by("at", "id").values(*FIELDS)


@prepared
def _moves_of_dated(depot_ids: Ids, item_ids: Ids) -> Rows:
    dated = StockMove.objects.exclude(best_before=None).values("item")
    return _moves.question(depot_ids, item_ids).filter(item__in=dated)


def _as_meant(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The moves as if what was wrong had never been entered, or it would fall on another lot.

    A move that was taken back goes with what took it back. What an order booked and booked again
    is one move, at the first of them.
    """
    keys = {row["key"] for row in rows if (row["key"] or "").startswith(TAKEN_BACK)}
    first: dict[tuple[Any, ...], dict[str, Any]] = {}
    found = []
    for row in rows:
        if row["key"] in keys or f"{TAKEN_BACK}{row['id']}" in keys:
            continue
        if row["order_number"]:
            slot = tuple(
                row[name] for name in ("depot_id", "item_id", "order_number", "kind", "batch")
            )
            if slot in first:
                first[slot]["quantity"] += row["quantity"]
                continue
            first[slot] = row
        found.append(row)
    return found
