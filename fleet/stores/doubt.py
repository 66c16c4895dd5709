"""What is asked about before stock moves: another order of magnitude, a date that is over.

Each question goes through with a reason of its own, which is kept with the move.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Max, Min, QuerySet

from fleet.bulk import only
from fleet.calc.magnitudes import apart, beyond, slipped
from fleet.faults import Question
from fleet.stores.lots import lots_at
from fleet.stores.models import Arrival, Item, Pack, Stock, StockMove
from fleet.stores.money import words
from fleet.stores.prices import standing, unit_prices
from fleet.today import day
from fleet.vehicles.models import Depot

# all of it our choice: how many times what is known, and what is never too much
TIMES_MOVED, TIMES_PACK = 10, 20
TIMES_ORDERED = 2  # a supplier rounds up to packs, and sends no multiple
TIMES_PROPOSED = 5  # who orders for longer than was proposed still orders no multiple
LEAST_USUAL, USUAL_OF = 3, 100  # moves, the newest; their median is what is usual
NEVER_TOO_MUCH = {Item.Unit.ML: 25_000, Item.Unit.PIECES: 500}
NEVER_TOO_LITTLE = {Item.Unit.ML: 1_000, Item.Unit.PIECES: 20}
TIMES_FORESEEN = 5  # of what a job is to take
NEVER_TOO_MUCH_USED = {Item.Unit.ML: 5_000, Item.Unit.PIECES: 10}
LEAST_PACK_ML, MOST_PACK = 50, {Item.Unit.ML: 2_000_000, Item.Unit.PIECES: 5_000}
KEEPS_Y = 20
LONGEST_WAY = timedelta(days=366)  # of an order
MOST_ORDERS = 3  # named in a question
Kind = StockMove.Kind
LEAVES = (Kind.USED, Kind.WRITTEN_OFF, Kind.TRANSFERRED_OUT)
Because = str | Mapping[str, str]  # why it stands; where several things are doubtful, by each


@dataclass(frozen=True)
class Entered:
    """What a person says about a move, before it is believed."""

    depot: Depot
    item: Item
    quantity: int  # unsigned; of a count, what was found; of an order, what is to come
    on: date  # at the depot
    kind: str = Kind.RECEIVED
    price_minor: int | None = None
    best_before: date | None = None
    batch: str = ""
    without_order: bool = False  # received, and no order named that it came from
    ordered: int = 0  # of the order it came from
    proposed: int = 0  # instead of what is ordered
    due_on: date | None = None  # of what is ordered only


def ask(entered: Entered, because: Because) -> str:
    """Ask what is doubtful of a move; give what to keep of the reasons why it stands.

    Parameters
    ----------
    because
        A reason, which answers one doubt only; or one for each, by what the doubt is about.

    Raises
    ------
    Question
        Something is, and no reason was given for it.
    """
    doubts = list(_questions(entered))
    if isinstance(because, str):
        if len(doubts) > 1 and because.strip():
            raise _for_each(doubts)
        because = {doubt.about: because for doubt in doubts}
    said = {doubt.about: because.get(doubt.about, "").strip() for doubt in doubts}
    for doubt in doubts:
        if not said[doubt.about]:
            raise doubt
    return f"it stands: {'; '.join(dict.fromkeys(said.values()))}" if said else ""


def _for_each(doubts: list[Question]) -> Question:
    """One reason was given for more than one doubt, and nobody knows which one it answers."""
    about = tuple(doubt.about for doubt in doubts)
    told = " ".join(map(str, doubts))
    return Question(
        f"{told} Give a reason for each.",
        doubts[0].candidates,
        about=about[0],
        doubts=about,
        values=doubts[0].values,
    )


def _questions(entered: Entered) -> Iterator[Question]:
    yield from _of_order(entered)
    yield from _of_quantity(entered)
    yield from _of_days(entered)
    yield from _of_price(entered)
    yield from _of_date(entered)


def _of_order(entered: Entered) -> Iterator[Question]:
    """What came without its order would be on its way still, and so be there twice."""
    if not entered.without_order:
        return
    rows = on_their_way(entered.depot, entered.item).filter(ordered_on__lte=entered.on)
    coming = list(rows[:MOST_ORDERS])
    if coming:
        told = " and ".join(
            f"{amount(row.quantity, row.item)} since {day(row.ordered_on)}" for row in coming
        )
        yield Question(
            f"Of {entered.item} are on their way to {entered.depot}: {told}. Is this what came?",
            [
                f"order {row.pk}: {amount(row.quantity, row.item)}, due {day(row.due_on)}"
                for row in coming
            ],
            about="arrival",
        )


def on_their_way(depot: Depot, item: Item) -> QuerySet[Arrival]:
    """Orders of an item for a depot that have not come, the next first."""
    rows = Arrival.objects.filter(depot=depot, item=item, received_on=None)
    return rows.select_related("item", "depot").order_by("due_on", "pk")


def _of_quantity(entered: Entered) -> Iterator[Question]:
    """More than is there or was ordered, far more than ever was, or ten times what is usual."""
    item, quantity = entered.item, entered.quantity
    stored = Stock.objects.filter(depot=entered.depot, item=item)
    booked = only(stored.values_list("on_hand", flat=True)) or 0
    on_hand = max(booked, 0)
    most, said = _most(item, on_hand), f"{amount(quantity, item)} of {item}"
    if entered.kind in LEAVES and quantity > on_hand:
        text = f"{said}, where {amount(on_hand, item)} should be on hand. Was it so much?"
        yield _meant(text, item, slipped(quantity, on_hand, on_hand))
    elif 0 < entered.ordered * TIMES_ORDERED < quantity:
        text = f"{said}, where {amount(entered.ordered, item)} were ordered. Did so much come?"
        yield _meant(text, item, [entered.ordered])
    elif quantity > most:
        near = on_hand or _largest_pack(item)
        text = f"{said}: that is far more than was ever there. Was it meant?"
        # a count is held against what is booked alone: of nothing, no slip can be told
        told = bool(on_hand) or entered.kind != Kind.COUNTED
        yield _meant(text, item, slipped(quantity, near, most) if told else ())
    elif 0 < entered.proposed * TIMES_PROPOSED < quantity:
        text = f"{said}, where {amount(entered.proposed, item)} are proposed. Is it so much?"
        yield _meant(text, item, [entered.proposed])
    elif entered.kind == Kind.COUNTED:
        yield from _of_count(entered, booked)
    else:
        yield from _of_the_usual(entered, said)


def _most(item: Item, on_hand: int) -> int:
    """The most that can be believed of an item at all."""
    known = max(on_hand, _largest(StockMove.objects.filter(item=item)))
    least = max(NEVER_TOO_MUCH[Item.Unit(item.unit)], known * TIMES_MOVED - 1)
    return beyond([(_largest_pack(item), TIMES_PACK)], least)


def _of_the_usual(entered: Entered, said: str) -> Iterator[Question]:
    """Ten times what comes or goes at once, unless as much did so before."""
    item, moves = entered.item, StockMove.objects.filter(item=entered.item, kind=entered.kind)
    newest = standing(moves.filter(depot=entered.depot)).order_by("-pk")[:USUAL_OF]
    sizes = sorted(abs(one) for one in newest.values_list("quantity", flat=True))
    if len(sizes) < LEAST_USUAL:
        return
    usual = sizes[len(sizes) // 2]
    least = max(NEVER_TOO_MUCH[Item.Unit(item.unit)], _largest(moves))
    most = max(usual * TIMES_MOVED - 1, least)
    if entered.quantity > most:
        text = f"{said}, where {amount(usual, item)} at once are usual. Was it meant?"
        yield _meant(text, item, slipped(entered.quantity, usual, most))


def _meant(text: str, item: Item, quantities: Sequence[int]) -> Question:
    """A question about a quantity, with what may have been meant instead."""
    words = [amount(one, item) for one in quantities]
    return Question(text, words, about="quantity", values=quantities)


def _of_count(entered: Entered, on_hand: int) -> Iterator[Question]:
    """A digit too many or too few, where enough should be there to tell; nothing at all is no
    slip. More than a little where less than nothing is booked, for what came was not entered."""
    item, quantity = entered.item, entered.quantity
    little = NEVER_TOO_LITTLE[Item.Unit(item.unit)]
    if on_hand < 0 and quantity >= little:
        text = (
            f"{amount(quantity, item)} of {item} counted, where {amount(-on_hand, item)} less than "
            "nothing are booked. Is it so much, and is all that came entered as received?"
        )
        yield _meant(text, item, ())  # from less than nothing, no slip can be told
    if on_hand < little:
        return
    said = f"{amount(quantity, item)} of {item} counted, where {amount(on_hand, item)} should be."
    if quantity >= on_hand * TIMES_MOVED:
        meant = slipped(quantity, on_hand, on_hand * 2)
        yield _meant(f"{said} Is it so much?", item, meant)
    elif 0 < quantity * TIMES_MOVED <= on_hand:
        meant = [quantity * slip for slip in (10, 1000) if quantity * slip <= on_hand * 2]
        yield _meant(f"{said} Is it so little?", item, meant)


def use_doubt(said: str, unit: str, quantity: int, foreseen: int) -> tuple[str, list[int]]:
    """Say what is doubtful of what went into one job, as a question, and what may have been meant
    [mL or pieces]; empty: nothing.

    Parameters
    ----------
    said
        How much of what, in words.
    foreseen
        What the job is to take of it; 0 where nothing says so.
    """
    most = beyond([(foreseen, TIMES_FORESEEN)], NEVER_TOO_MUCH_USED[Item.Unit(unit)])
    if quantity <= most:
        return "", []
    usual = f"where the job is to take {in_unit(foreseen, unit)}" if foreseen else "for one job"
    return f"{said}, {usual}. Was it so much?", slipped(quantity, foreseen, most)


def _largest(moves: QuerySet[StockMove]) -> int:
    """The largest of some moves, anywhere, of what was not taken back."""
    found = standing(moves).aggregate(most=Max("quantity"), least=Min("quantity"))
    return max(found["most"] or 0, -(found["least"] or 0))


def _largest_pack(item: Item) -> int:
    return Pack.objects.filter(item=item).aggregate(most=Max("quantity"))["most"] or 0


def _of_days(entered: Entered) -> Iterator[Question]:
    if entered.due_on is not None and entered.due_on - entered.on > LONGEST_WAY:
        text = f"It is due on {day(entered.due_on)}, more than a year ahead. Is the day right?"
        yield Question(text, about="due_on")


def _of_price(entered: Entered) -> Iterator[Question]:
    price = entered.price_minor
    if price is None:
        return
    known = unit_prices(entered.depot.pk, [entered.item.pk]).get(entered.item.pk)
    if known is not None:
        usual = known.of(entered.quantity)
        if apart(price, usual):
            yield Question(
                f"{words(price)} for {amount(entered.quantity, entered.item)} of {entered.item}; "
                f"at the last price known it would be {words(usual)}. Is the price right?",
                [words(usual)],
                about="price",
                values=[usual],
            )


def _of_date(entered: Entered) -> Iterator[Question]:
    on = entered.best_before
    if on is None:
        return
    if on < entered.on:
        yield Question(
            f"Best before {day(on)} is over already. Is the date right?", about="best_before"
        )
    elif on.year - entered.on.year > KEEPS_Y:
        yield Question(
            f"Best before {day(on)} is far ahead. Is the date right?", about="best_before"
        )
    elif entered.batch:
        known = {
            lot.best_before
            for lot in lots_at(entered.depot.pk, entered.item.pk)
            if lot.batch == entered.batch and lot.best_before
        }
        if known and on not in known:
            yield Question(
                f"Batch {entered.batch} is best before {day(min(known))} here, and not {day(on)}. "
                "Is the date right?",
                [day(one) for one in sorted(known)],
                about="best_before",
                values=sorted(known),
            )


def amount(quantity: int, item: Item) -> str:
    """A quantity with its unit, in litres for a fluid."""
    return in_unit(quantity, item.unit)


def in_unit(quantity: int, unit: str) -> str:
    """A quantity in mL or pieces, in litres for a fluid."""
    if unit == Item.Unit.ML:
        return f"{quantity / 1000:,.3f}".rstrip("0").rstrip(".") + " L"
    return f"{quantity:,} piece{'s' * (quantity != 1)}"


def unit_is_kept(item_id: int, unit: str) -> str:
    """Say why the unit of an item stays as it is; empty: it may change."""
    if not StockMove.objects.filter(item=item_id).exists():
        return ""
    return (
        f"stock has moved in {unit}, and would mean something else; enter a new item for another "
        "unit, and write this one off"
    )


# --- packs -------------------------------------------------------------------------------------
@dataclass(frozen=True)
class PackSaid:
    """A pack as somebody enters it."""

    unit: str
    quantity: int
    price_minor: int | None


def pack_doubt(said: PackSaid, others: list[PackSaid], before: PackSaid | None) -> str:
    """Say what is doubtful of a pack, as a question; empty: nothing.

    Parameters
    ----------
    others
        The other packs of the item.
    before
        The same pack as it was.
    """
    most = MOST_PACK[Item.Unit(said.unit)]
    if said.unit == Item.Unit.ML and said.quantity < LEAST_PACK_ML:
        meant = f"were {said.quantity:,} L meant, that is {said.quantity * 1000:,}"
        return f"a pack of {said.quantity:,} mL: {meant}?"
    if said.quantity > most:
        return f"a pack of {said.quantity:,} {said.unit}: is it so much?"
    known = [before] if before is not None and before.price_minor else others
    return next((text for one in known if (text := _price_doubt(said, one))), "")


def _price_doubt(said: PackSaid, other: PackSaid) -> str:
    price, known = said.price_minor or 0, other.price_minor or 0
    most = 5.0 if said.quantity == other.quantity else 50.0  # small packs are dearer by the litre
    if not apart(price / said.quantity, known / other.quantity, most):
        return ""
    known_for = f"{other.quantity:,} cost {words(known)}"
    return f"{words(price)} for {said.quantity:,} {said.unit}, where {known_for}: is it right?"
