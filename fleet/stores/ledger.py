"""What comes, goes and is counted: one function each, and the only place that moves stock.

Each move is one added row; what is on hand moves in the same transaction, so that it is always the
sum of the moves. Under the sender's key a move is there once, however often it is sent. Stock below
zero is recorded, never refused: what was used was used, and somebody should count.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction

from fleet.calc.lots import Step, oldest
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.doubt import Because, Entered, ask
from fleet.stores.lots import lots_at
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.moves import ANOTHER, Move, agreeing, known_as, locked, record, same_key
from fleet.stores.prices import TAKEN_BACK, UnitPrice, unit_prices
from fleet.today import day
from fleet.vehicles.models import Depot

MOST = 2_000_000_000  # in one move, far more than any tank holds [mL or pieces]
MOST_MINOR = 10**12  # no receipt costs more
REASON_LENGTH = 300
AHEAD = timedelta(minutes=5)  # a phone's clock may run so far ahead; our choice
Kind = StockMove.Kind


@dataclass(frozen=True, kw_only=True)
class Receipt:
    """What came to a depot."""

    depot: Depot
    item: Item
    quantity: int
    price_minor: int | None = None  # of all of it
    batch: str = ""
    best_before: date | None = None
    arrival: Arrival | None = None  # that it was on order as
    reason: str = ""
    override_reason: Because = ""  # why it stands although it was doubted
    key: str | None = None

    def move(self) -> Move:
        if self.price_minor is not None and not 0 <= self.price_minor <= MOST_MINOR:
            raise Fault("The price of all of it is an amount from 0 up.", about="price")
        return Move(
            depot=self.depot,
            item=self.item,
            kind=Kind.RECEIVED,
            quantity=_above_zero(self.quantity),
            price_minor=self.price_minor,
            batch=self.batch,
            best_before=self.best_before,
            reason=self.reason,
            key=self.key,
        )


@dataclass(frozen=True, kw_only=True)
class TakenOff:
    """What leaves a shelf otherwise than by a work order."""

    depot: Depot
    item: Item
    quantity: int
    reason: str
    batch: str = ""
    override_reason: Because = ""  # why it stands although it was doubted
    key: str | None = None


@dataclass(frozen=True, kw_only=True)
class Transfer:
    """What goes from one depot to another."""

    from_depot: Depot
    to_depot: Depot
    item: Item
    quantity: int
    reason: str = ""
    batch: str = ""
    best_before: date | None = None
    override_reason: Because = ""  # why it stands although it was doubted
    key: str | None = None

    def pair(self, part: Step, price: UnitPrice | None, number: int) -> Iterator[Move]:
        """The two moves of one lot."""
        for depot, other, kind, sign, way in (
            (self.from_depot, self.to_depot, Kind.TRANSFERRED_OUT, -1, "out"),
            (self.to_depot, self.from_depot, Kind.TRANSFERRED_IN, 1, "in"),
        ):
            yield Move(
                depot=depot,
                item=self.item,
                kind=kind,
                quantity=sign * part.quantity,
                reason=self.reason,
                price_minor=None if price is None else price.of(sign * part.quantity),
                batch=part.batch,
                best_before=part.best_before,
                other_depot=other,
                key=f"{self.key}:{way}{number or ''}" if self.key else None,
            )


def receive(actor: Actor, came: Receipt) -> StockMove:
    """Take in what came; with its arrival, that is no longer on order.

    Raises
    ------
    Forbidden
        The person does not keep stock at the depot.
    Fault
        Nothing came, or the arrival is of another item or depot, or was received already.
    Question
        See `fleet.stores.doubt`; with ``override_reason`` it is kept.
    """
    _may(actor, came.depot)
    move, arrival = came.move(), came.arrival
    with transaction.atomic():
        known = known_as(move)
        if known is not None:
            return known
        believed = _believed(actor, move, came.override_reason, came=came)
        if arrival is not None:
            _close(actor, arrival, move)
        made = record(actor, believed)
        if arrival is not None:
            Arrival.objects.filter(pk=arrival.pk).update(received_by=made)
        return made


def _believed(
    actor: Actor,
    move: Move,
    because: Because,
    counted: int | None = None,
    came: Receipt | None = None,
) -> Move:
    """A move that a person enters, with why it stands where it is doubtful."""
    arrival = came.arrival if came else None
    why = ask(
        Entered(
            depot=move.depot,
            item=move.item,
            quantity=abs(move.quantity) if counted is None else counted,
            on=day_at(move.depot, actor),
            kind=move.kind,
            price_minor=move.price_minor if move.kind == Kind.RECEIVED else None,
            best_before=move.best_before if move.kind == Kind.RECEIVED else None,
            batch=move.batch.strip(),
            without_order=came is not None and arrival is None,
            ordered=arrival.quantity if arrival else 0,
        ),
        because,
    )
    said = "; ".join(part for part in (move.reason.strip(), why) if part)
    return replace(move, reason=said[:REASON_LENGTH])


def _enter(actor: Actor, taken: TakenOff, kind: Kind, asked: str) -> StockMove:
    """Record what a person takes off; sent again under its key it is not doubted again."""
    _may(actor, taken.depot)
    move = Move(
        depot=taken.depot,
        item=taken.item,
        kind=kind,
        quantity=-_above_zero(taken.quantity),
        reason=_said(taken.reason, asked),
        batch=taken.batch,
        key=taken.key,
    )
    with transaction.atomic():
        return known_as(move) or record(actor, _believed(actor, move, taken.override_reason))


def _close(actor: Actor, arrival: Arrival, move: Move) -> None:
    if (arrival.depot_id, arrival.item_id) != (move.depot.pk, move.item.pk):
        raise Fault("That arrival is of another item or for another depot: choose its own.")
    open_rows = Arrival.objects.filter(pk=arrival.pk, received_on=None)
    if not open_rows.update(received_on=day_at(move.depot, actor)):
        raise Refused("That arrival was received already: look at the newest moves.")


def day_at(depot: Depot, actor: Actor) -> date:
    """The day at a depot when somebody acts."""
    return actor.at.astimezone(ZoneInfo(depot.zone)).date()


def use(actor: Actor, taken: TakenOff) -> StockMove:
    """Take off what was used outside a work order, such as by a driver on the road."""
    return _enter(actor, taken, Kind.USED, "what it was used for")


def write_off(actor: Actor, taken: TakenOff) -> StockMove:
    """Take off what is spoilt, lost or too old."""
    return _enter(actor, taken, Kind.WRITTEN_OFF, "why it is written off")


def count(
    actor: Actor,
    *,
    depot: Depot,
    item: Item,
    counted: int,
    reason: str,
    override_reason: Because = "",
    key: str | None = None,
) -> StockMove:
    """Set what is on hand to what was counted; the move is the difference, which may be 0."""
    _may(actor, depot)
    if not 0 <= counted <= MOST:
        raise Fault("What was counted is a whole number from 0 up.", about="quantity")
    said = _said(reason, "why it was counted")
    with transaction.atomic():
        stock = locked(depot, item)
        known = same_key(key)
        if known is not None:
            return agreeing(known, depot, item, Kind.COUNTED, known.quantity)
        move = Move(
            depot=depot,
            item=item,
            kind=Kind.COUNTED,
            quantity=counted - stock.on_hand,
            reason=said,
            key=key,
        )
        return record(actor, _believed(actor, move, override_reason, counted))


def transfer(actor: Actor, sent: Transfer) -> list[StockMove]:
    """Move stock from one depot to another: moves in pairs that stand or fall together.

    Batch and best before go along: a pair for each lot that it is taken from, the oldest first.
    """
    depot, item = sent.from_depot, sent.item
    _may(actor, depot)
    _may(actor, sent.to_depot)
    if depot.pk == sent.to_depot.pk:
        raise Fault("Choose two different depots.")
    amount, batch = _above_zero(sent.quantity), sent.batch.strip()
    ends = sorted((depot, sent.to_depot), key=lambda depot: depot.pk)
    with transaction.atomic():  # rows are locked in one order, so that two transfers never wait
        for end in ends:
            locked(end, item)
        parts = _sent(sent.key, depot, item, amount)
        if parts is None:
            on, kind = day_at(depot, actor), Kind.TRANSFERRED_OUT
            why = ask(Entered(depot, item, amount, on, kind=kind), sent.override_reason)
            reason = "; ".join(part for part in (sent.reason.strip(), why) if part)
            sent = replace(sent, reason=reason[:REASON_LENGTH])
            parts = [Step(amount, batch, sent.best_before)]
            if sent.best_before is None:
                parts = oldest(lots_at(depot.pk, item.pk), amount, batch)
        price = unit_prices(depot.pk, [item.pk]).get(item.pk)
        return [
            record(actor, move)
            for number, part in enumerate(parts)
            for move in sent.pair(part, price, number)
        ]


def _sent(key: str | None, from_depot: Depot, item: Item, amount: int) -> list[Step] | None:
    """The lots of a transfer that was sent before under its key."""
    first = same_key(f"{key}:out") if key else None
    if first is None:
        return None
    found = [first]
    while (more := same_key(f"{key}:out{len(found)}")) is not None:
        found.append(more)
    total = sum(row.quantity for row in found)
    whole = (first.depot_id, first.item_id, total) == (from_depot.pk, item.pk, -amount)
    if not whole:
        raise Fault(ANOTHER)
    return [Step(-row.quantity, row.batch, row.best_before) for row in found]


def take_back(actor: Actor, move: StockMove, *, reason: str) -> StockMove:
    """Undo a move by its opposite; both stay to be seen. Of a receipt, its order is open again.

    Raises
    ------
    Refused
        The move belongs to a work order or a transfer, is itself a taking back, or was taken
        back before.
    """
    _may(actor, move.depot)
    said = _said(reason, "why it is taken back")
    if move.order_number:
        raise Refused(f"Correct work order {move.order_number} instead: its stock follows it.")
    if move.other_depot_id is not None:
        raise Refused("Transfer it back instead: the other depot has it.")
    if move.quantity == 0 or undoes(move):
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
    with transaction.atomic():
        locked(move.depot, move.item)
        before = same_key(opposite.key)
        if before is not None:
            on = day(before.at.astimezone(ZoneInfo(move.depot.zone)).date())
            raise Refused(f"It was taken back already, on {on}: there is nothing more to undo.")
        Arrival.objects.filter(received_by=move).update(received_on=None, received_by=None)
        return record(actor, opposite)


def to_take_back(moves: Sequence[StockMove]) -> tuple[set[int], set[int]]:
    """Of some moves, by id, those that can be taken back, and those that were."""
    keys = {f"{TAKEN_BACK}{move.pk}": move.pk for move in moves}
    found = StockMove.objects.filter(key__in=keys).values_list("key", flat=True)
    gone = {keys[key] for key in found if key is not None}
    may = {
        move.pk
        for move in moves
        if move.pk not in gone
        and move.quantity
        and not (move.order_number or move.other_depot_id or undoes(move))
    }
    return may, gone


def undoes(move: StockMove) -> bool:
    """Whether a move took another one back."""
    return (move.key or "").startswith(TAKEN_BACK)


def _may(actor: Actor, depot: Depot) -> None:
    actor.must(Right.KEEP_STOCK, depot)
    if actor.at > actor.now + AHEAD:
        raise Fault("That lies ahead: enter what has happened.")


def _above_zero(quantity: int) -> int:
    if not 0 < quantity <= MOST:
        raise Fault(
            "The quantity is a whole number above 0: millilitres, or pieces.", about="quantity"
        )
    return quantity


def _said(reason: str, what: str) -> str:
    if not reason.strip():
        raise Fault(f"Say {what}.", about="reason")
    return reason
