"""What comes, goes and is counted: one function each, and the only place that moves stock.

Each move is one added row; what is on hand moves in the same transaction, so that it is always the
sum of the moves. Under the sender's key a move is there once, however often it is sent. Stock below
zero is recorded, never refused: what was used was used, and somebody should count.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import F

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.models import Arrival, Item, Stock, StockMove
from fleet.stores.prices import TAKEN_BACK, unit_prices
from fleet.vehicles.models import Depot

MOST = 2_000_000_000  # what the columns hold [mL or pieces]
AHEAD = timedelta(minutes=5)  # a phone's clock may run so far ahead; our choice
Kind = StockMove.Kind


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


def receive(
    actor: Actor,
    *,
    depot: Depot,
    item: Item,
    quantity: int,
    price_minor: int | None = None,
    batch: str = "",
    best_before: date | None = None,
    arrival: Arrival | None = None,
    reason: str = "",
    key: str | None = None,
) -> StockMove:
    """Take in what came; with its arrival, that is no longer on order.

    Raises
    ------
    Forbidden
        The person does not keep stock at the depot.
    Fault
        Nothing came, or the arrival is of another item or depot, or was received already.
    """
    _may(actor, depot)
    move = Move(
        depot=depot,
        item=item,
        kind=Kind.RECEIVED,
        quantity=_above_zero(quantity),
        price_minor=price_minor,
        batch=batch,
        best_before=best_before,
        reason=reason,
        key=key,
    )
    with transaction.atomic():
        known = _known(move)
        if known is None and arrival is not None:
            _close(actor, arrival, move)
        return known or record(actor, move)


def _close(actor: Actor, arrival: Arrival, move: Move) -> None:
    if (arrival.depot_id, arrival.item_id) != (move.depot.pk, move.item.pk):
        raise Fault("That arrival is of another item or for another depot: choose its own.")
    open_rows = Arrival.objects.filter(pk=arrival.pk, received_on=None)
    if not open_rows.update(received_on=day_at(move.depot, actor)):
        raise Refused("That arrival was received already: look at the newest moves.")


def day_at(depot: Depot, actor: Actor) -> date:
    """The day at a depot when somebody acts."""
    return actor.at.astimezone(ZoneInfo(depot.zone)).date()


def use(
    actor: Actor,
    *,
    depot: Depot,
    item: Item,
    quantity: int,
    reason: str,
    batch: str = "",
    key: str | None = None,
) -> StockMove:
    """Take off what was used outside a work order, such as by a driver on the road."""
    _may(actor, depot)
    return record(
        actor,
        Move(
            depot=depot,
            item=item,
            kind=Kind.USED,
            quantity=-_above_zero(quantity),
            reason=_said(reason, "what it was used for"),
            batch=batch,
            key=key,
        ),
    )


def count(
    actor: Actor, *, depot: Depot, item: Item, counted: int, reason: str, key: str | None = None
) -> StockMove:
    """Set what is on hand to what was counted; the move is the difference, which may be 0."""
    _may(actor, depot)
    if not 0 <= counted <= MOST:
        raise Fault("What was counted is a whole number from 0 up.")
    said = _said(reason, "why it was counted")
    with transaction.atomic():
        stock = _locked(depot, item)
        known = _same_key(key)
        if known is not None:
            return _agreeing(known, depot, item, Kind.COUNTED, known.quantity)
        return record(
            actor,
            Move(
                depot=depot,
                item=item,
                kind=Kind.COUNTED,
                quantity=counted - stock.on_hand,
                reason=said,
                key=key,
            ),
        )


def write_off(
    actor: Actor,
    *,
    depot: Depot,
    item: Item,
    quantity: int,
    reason: str,
    batch: str = "",
    key: str | None = None,
) -> StockMove:
    """Take off what is spoilt, lost or too old."""
    _may(actor, depot)
    return record(
        actor,
        Move(
            depot=depot,
            item=item,
            kind=Kind.WRITTEN_OFF,
            quantity=-_above_zero(quantity),
            reason=_said(reason, "why it is written off"),
            batch=batch,
            key=key,
        ),
    )


def transfer(
    actor: Actor,
    *,
    from_depot: Depot,
    to_depot: Depot,
    item: Item,
    quantity: int,
    reason: str = "",
    batch: str = "",
    best_before: date | None = None,
    key: str | None = None,
) -> tuple[StockMove, StockMove]:
    """Move stock from one depot to another: two moves that stand or fall together."""
    _may(actor, from_depot)
    _may(actor, to_depot)
    if from_depot.pk == to_depot.pk:
        raise Fault("Choose two different depots.")
    price = unit_prices(from_depot.pk, [item.pk]).get(item.pk)
    amount = _above_zero(quantity)
    shared = {"item": item, "reason": reason, "batch": batch, "best_before": best_before}
    moves = {
        depot.pk: Move(
            **shared,  # type: ignore[arg-type]
            depot=depot,
            other_depot=other,
            kind=kind,
            quantity=sign * amount,
            price_minor=None if price is None else price.of(sign * amount),
            key=f"{key}:{way}" if key else None,
        )
        for depot, other, kind, sign, way in (
            (from_depot, to_depot, Kind.TRANSFERRED_OUT, -1, "out"),
            (to_depot, from_depot, Kind.TRANSFERRED_IN, 1, "in"),
        )
    }
    with transaction.atomic():  # rows are locked in one order, so that two transfers never wait
        rows = {pk: record(actor, moves[pk]) for pk in sorted(moves)}
    return rows[from_depot.pk], rows[to_depot.pk]


def take_back(actor: Actor, move: StockMove, *, reason: str) -> StockMove:
    """Undo a move by its opposite; both stay to be seen.

    Raises
    ------
    Refused
        The move belongs to a work order or a transfer, or is itself a taking back.
    """
    _may(actor, move.depot)
    said = _said(reason, "why it is taken back")
    if move.order_number:
        raise Refused(f"Correct work order {move.order_number} instead: its stock follows it.")
    if move.other_depot_id is not None:
        raise Refused("Transfer it back instead: the other depot has it.")
    if move.quantity == 0 or (move.key or "").startswith(TAKEN_BACK):
        raise Refused("There is nothing to take back: enter a new move.")
    opposite = Move(
        depot=move.depot,
        item=move.item,
        kind=move.kind,
        quantity=-move.quantity,
        price_minor=None if move.price_minor is None else -move.price_minor,
        batch=move.batch,
        best_before=move.best_before,
        reason=said,
        key=f"{TAKEN_BACK}{move.pk}",
    )
    return record(actor, opposite)


def record(actor: Actor, move: Move) -> StockMove:
    """Add a move and shift what is on hand; the caller has seen to the right to do so.

    Raises
    ------
    Fault
        The key was used for another move.
    """
    try:
        with transaction.atomic():
            stock = _locked(move.depot, move.item)
            known = _known(move)
            if known is not None:
                return known
            Stock.objects.filter(pk=stock.pk).update(on_hand=F("on_hand") + move.quantity)
            return _added(actor, move)
    except IntegrityError:  # the same key at the same moment, for another depot or item
        known = _known(move)
        if known is None:
            raise
        return known


def _added(actor: Actor, move: Move) -> StockMove:
    price_minor = move.price_minor
    if price_minor is None and move.kind != Kind.RECEIVED:
        price = unit_prices(move.depot.pk, [move.item.pk]).get(move.item.pk)
        price_minor = None if price is None else price.of(move.quantity)
    return StockMove.objects.create(
        depot=move.depot,
        item=move.item,
        kind=move.kind,
        quantity=move.quantity,
        at=actor.at,
        reason=move.reason.strip(),
        price_minor=price_minor,
        batch=move.batch.strip(),
        best_before=move.best_before,
        order_number=move.order_number,
        other_depot=move.other_depot,
        key=move.key,
        person=actor.person,
        channel=actor.channel,
    )


def _locked(depot: Depot, item: Item) -> Stock:
    """The row of an item at a depot, which nobody else changes before this transaction ends."""
    Stock.objects.get_or_create(depot=depot, item=item)
    return Stock.objects.select_for_update().get(depot=depot, item=item)


def _known(move: Move) -> StockMove | None:
    known = _same_key(move.key)
    if known is None:
        return None
    return _agreeing(known, move.depot, move.item, move.kind, move.quantity)


def _same_key(key: str | None) -> StockMove | None:
    return None if key is None else StockMove.objects.filter(key=key).first()


def _agreeing(known: StockMove, depot: Depot, item: Item, kind: str, quantity: int) -> StockMove:
    there = (known.depot_id, known.item_id, known.kind, known.quantity)
    if there != (depot.pk, item.pk, kind, quantity):
        raise Fault("This key was used for another move: make a new one for every move.")
    return known


def _may(actor: Actor, depot: Depot) -> None:
    actor.must(Right.KEEP_STOCK, depot)
    if actor.at > actor.now + AHEAD:
        raise Fault("That lies ahead: enter what has happened.")


def _above_zero(quantity: int) -> int:
    if not 0 < quantity <= MOST:
        raise Fault("The quantity is a whole number above 0: millilitres, or pieces.")
    return quantity


def _said(reason: str, what: str) -> str:
    if not reason.strip():
        raise Fault(f"Say {what}.")
    return reason
