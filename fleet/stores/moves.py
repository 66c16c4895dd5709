"""One move of the ledger: added once under its key, and what is on hand with it."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from datetime import date

from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.dispatch import Signal

from fleet.bulk import only
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.stores.models import Item, Stock, StockMove
from fleet.stores.prices import UnitPrice, unit_prices
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot

ANOTHER = "This key was used for another move: make a new one for every move."
Kind = StockMove.Kind
moved = Signal()  # many moves at once, with their ``item_ids``
_held_back: ContextVar[set[int] | None] = ContextVar("items that moved", default=None)


@contextmanager
def together() -> Iterator[None]:
    """Let whoever listens to moves hear of many once, at the end, instead of after each."""
    if _held_back.get() is not None:
        yield
        return
    item_ids: set[int] = set()
    mark = _held_back.set(item_ids)
    try:
        yield
    finally:
        _held_back.reset(mark)
    if item_ids:
        moved.send(None, item_ids=item_ids)


def is_held_back(item_id: int) -> bool:
    """Whether a move of an item is one of many, of which all are told at their end."""
    held_back = _held_back.get()
    if held_back is not None:
        held_back.add(item_id)
    return held_back is not None


@dataclass(frozen=True, kw_only=True)
class Move:
    """One move before it is recorded."""

    depot: Depot
    item: Item
    kind: str
    quantity: int  # signed [mL or pieces]
    reason: str = ""
    price_minor: int | None = None  # of all of it, signed alike; None: at the price of the day
    batch: str = ""
    best_before: date | None = None
    order_number: str = ""
    other_depot: Depot | None = None
    key: str | None = None


def moves_at(depots: Depots, kind: str | None = None) -> QuerySet[StockMove]:
    """Moves at some depots, of one kind (default of any)."""
    rows = StockMove.objects.filter(depot__in=depots)
    return rows if kind is None else rows.filter(kind=kind)


def items(kind: str | None = None) -> QuerySet[Item]:
    """What stores keep, of one kind (default of any)."""
    return Item.objects.all() if kind is None else Item.objects.filter(kind=kind)


def record_many(actor: Actor, moves: Sequence[Move]) -> list[StockMove]:
    """Add moves of one depot, each under a key, and shift what is on hand; those there already
    are given as they are.

    Raises
    ------
    Fault
        A key was used for another move.
    """
    if not moves:
        return []
    with transaction.atomic(), together():
        shelves = _all_locked(moves[0].depot, {move.item.pk for move in moves})
        known = {row.key: row for row in StockMove.objects.filter(key__in=[m.key for m in moves])}
        fresh = [move for move in moves if move.key not in known]
        unpriced = [move.item.pk for move in fresh if _needs_a_price(move)]
        prices = unit_prices(moves[0].depot.pk, unpriced) if unpriced else {}
        rows = [_row(actor, _priced(move, prices)) for move in fresh]
        for row in StockMove.objects.bulk_create(rows):
            known[row.key] = row
            shelf = Stock.objects.filter(pk=shelves[row.item_id])
            shelf.update(on_hand=F("on_hand") + row.quantity)
            is_held_back(row.item_id)  # as whoever listens to one move asks
        told = [(known[move.key], move) for move in moves]
        return [agreeing(row, m.depot, m.item, m.kind, m.quantity) for row, m in told]


def _all_locked(depot: Depot, item_ids: set[int]) -> dict[int, int]:
    """The rows of items at a depot, which nobody else changes before this transaction ends."""
    rows = Stock.objects.filter(depot=depot, item__in=item_ids)
    lacking = item_ids - set(rows.values_list("item_id", flat=True))
    if lacking:
        new = [Stock(depot=depot, item_id=pk) for pk in sorted(lacking)]
        Stock.objects.bulk_create(new, ignore_conflicts=True)
    found = rows.select_for_update().order_by("item_id")
    return dict(found.values_list("item_id", "pk"))


def record(actor: Actor, move: Move) -> StockMove:
    """Add a move and shift what is on hand; the caller has seen to the right to do so.

    Raises
    ------
    Fault
        The key was used for another move.
    """
    try:
        with transaction.atomic():
            stock = locked(move.depot, move.item)
            known = known_as(move)
            if known is not None:
                return known
            Stock.objects.filter(pk=stock.pk).update(on_hand=F("on_hand") + move.quantity)
            return _added(actor, move)
    except IntegrityError:  # the same key at the same moment, for another depot or item
        known = known_as(move)
        if known is None:
            raise
        return known


def _needs_a_price(move: Move) -> bool:
    return move.price_minor is None and move.kind != Kind.RECEIVED


def _priced(move: Move, prices: Mapping[int, UnitPrice]) -> Move:
    """A move at the price of the day, where it brings none of its own."""
    price = prices.get(move.item.pk) if _needs_a_price(move) else None
    return move if price is None else replace(move, price_minor=price.of(move.quantity))


def _added(actor: Actor, move: Move) -> StockMove:
    if _needs_a_price(move):
        move = _priced(move, unit_prices(move.depot.pk, [move.item.pk]))
    row = _row(actor, move)
    row.save()
    return row


def _row(actor: Actor, move: Move) -> StockMove:
    return StockMove(
        depot=move.depot,
        item=move.item,
        kind=move.kind,
        quantity=move.quantity,
        at=actor.at,
        reason=move.reason.strip(),
        price_minor=move.price_minor,
        batch=move.batch.strip(),
        best_before=move.best_before,
        order_number=move.order_number,
        other_depot=move.other_depot,
        key=move.key,
        person=actor.person,
        channel=actor.channel,
    )


def locked(depot: Depot, item: Item) -> Stock:
    """The row of an item at a depot, which nobody else changes before this transaction ends."""
    Stock.objects.get_or_create(depot=depot, item=item)
    return Stock.objects.select_for_update().get(depot=depot, item=item)


def known_as(move: Move) -> StockMove | None:
    """The move that is there already under the key.

    Raises
    ------
    Fault
        It is another one.
    """
    known = same_key(move.key)
    if known is None:
        return None
    return agreeing(known, move.depot, move.item, move.kind, move.quantity)


def same_key(key: str | None) -> StockMove | None:
    """Whatever move is there under a key."""
    return None if key is None else only(StockMove.objects.filter(key=key))


def agreeing(known: StockMove, depot: Depot, item: Item, kind: str, quantity: int) -> StockMove:
    """A known move, if it is of this depot, item, kind and quantity."""
    as_kept = (known.depot_id, known.item_id, known.kind, known.quantity)
    if as_kept != (depot.pk, item.pk, kind, quantity):
        raise Fault(ANOTHER)
    return known
