"""Stock in the words of a page: quantities with their unit, and what is entered about a move."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet
from django.http import QueryDict

from fleet.dashboard.frame import answers
from fleet.dashboard.orders.changes import read_number
from fleet.dashboard.shown_units import fluid_unit, volume
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.levels import Level, LotLevel
from fleet.stores.models import Arrival, Item, StockMove
from fleet.stores.money import to_minor, typed
from fleet.stores.read_off import read_off
from fleet.vehicles.models import Depot

WAYS = ("received", "counted", "used", "written off", "transferred")


@dataclass(frozen=True)
class StockLine:
    """A level with its quantities in words."""

    level: Level
    on_hand: str
    usable: str  # where it is less than what is on hand
    on_order: str
    too_old: str
    lots: tuple[tuple[LotLevel, str], ...]  # where there are several
    runs_out: date | None = None  # as expected; empty: it lasts as far as is forecast

    @property
    def pressing(self) -> tuple[bool, date]:
        """Sorts what needs a look first, then what runs out first."""
        return not self.level.look, self.runs_out or date.max


def amount(quantity: int, unit: str, *, signed: bool = False) -> str:
    """A quantity as people read it: litres, or pieces; none has no sign."""
    signed = signed and quantity != 0
    if unit == Item.Unit.ML:
        litres = f"{quantity / 1000:+,.3f}" if signed else f"{quantity / 1000:,.3f}"
        return _typeset(litres.rstrip("0").rstrip(".")) + "\u00a0L"
    pieces = f"{quantity:+,}" if signed else f"{quantity:,}"
    return f"{_typeset(pieces)}\u00a0{pieces_word(quantity)}"


def pieces_word(quantity: float) -> str:
    """The unit of pieces, of one or of several."""
    return "pc" if abs(quantity) == 1 else "pcs"


def total(quantity: int, unit: str) -> str:
    """A sum as whoever looks reads it: litres or US quarts as a shelf tells them, or pieces."""
    if unit != Item.Unit.ML:
        return amount(quantity, unit)
    shown = f"{read_off(volume(quantity / 1000)):,.2f}".rstrip("0").rstrip(".")
    return _typeset(shown) + f"\u00a0{fluid_unit()}"


def to_type(quantity: int, unit: str) -> str:
    """A quantity as a field holds it: litres, or pieces."""
    if unit != Item.Unit.ML:
        return str(quantity)
    litres = f"{quantity / 1000:.3f}"
    return litres.rstrip("0").rstrip(".")


def meant(question: Question, unit: str) -> list[tuple[str, str]]:
    """What a question about stock offers: as its field holds it, and in words."""
    held: dict[str, Callable[[Any], str]] = {
        "quantity": lambda quantity: to_type(quantity, unit),
        "price": typed,
    }
    shown = held.get(question.about, str)
    pairs = zip(question.values, question.candidates, strict=False)
    return [(shown(value), told) for value, told in pairs]


def order_words(row: Arrival) -> str:
    """An order on its way, as it is chosen from a list."""
    return f"{amount(row.quantity, row.item.unit)} of {row.item} for {row.depot}"


def _typeset(figure: str) -> str:
    return figure.replace("-", "\u2212")


def lines(
    found: Sequence[Level], run_out: Mapping[tuple[str, str], date] | None = None
) -> list[StockLine]:
    """By item, the one that needs a look first, then the one that runs out first; within an item
    likewise by depot, else as they came.

    Parameters
    ----------
    run_out
        The first day without stock, by slugs of depot and item.
    """
    shown = [
        StockLine(
            row,
            total(row.on_hand, row.unit),
            total(row.usable, row.unit) if row.too_old else "",
            total(row.on_order, row.unit) if row.on_order else "",
            total(row.too_old, row.unit) if row.too_old else "",
            tuple((lot, total(lot.left, row.unit)) for lot in row.lots if len(row.lots) > 1),
            (run_out or {}).get((row.depot, row.item)),
        )
        for row in found
    ]
    first: dict[str, tuple[bool, date]] = {}
    for line in shown:
        first[line.level.item] = min(first.get(line.level.item, line.pressing), line.pressing)
    return sorted(shown, key=lambda line: (first[line.level.item], line.level.name, line.pressing))


def newest_moves(depots: Sequence[str]) -> QuerySet[StockMove]:
    rows = StockMove.objects.filter(depot__slug__in=depots).order_by("-at", "-id")
    return rows.select_related("item", "depot", "other_depot", "person")


def enter_move(actor: Actor, given: QueryDict, person: Person) -> str:
    """Record what the form says; answer in words what was done."""
    depot, item = _depot(person, given.get("depot", "")), _item(given.get("item", ""))
    way, reason = given.get("way", ""), given.get("reason", "").strip()[:300]
    quantity = read_quantity(given.get("quantity", ""), item)
    key = given.get("key", "").strip()[:60]
    place: dict[str, Any] = {
        **{"depot": depot, "item": item, "reason": reason},
        "key": f"page:{person.pk}:{key}" if key else None,
        "override_reason": answers(given),
    }
    batch: dict[str, Any] = {"batch": given.get("batch", "").strip()[:60]}
    said = f"{item}, {depot}: {amount(quantity, item.unit)}"
    match way:
        case "received":
            ledger.receive(
                actor, Receipt(**place, **batch, quantity=quantity, **_of_receipt(given, depot))
            )
        case "counted":
            ledger.count(actor, **place, counted=quantity)
        case "used":
            ledger.use(actor, TakenOff(**place, **batch, quantity=quantity))
        case "written off":
            ledger.write_off(actor, TakenOff(**place, **batch, quantity=quantity))
        case "transferred":
            to_depot = _depot(person, given.get("to_depot", ""))
            ends: dict[str, Any] = {"from_depot": place.pop("depot"), "to_depot": to_depot}
            ledger.transfer(actor, Transfer(**place, **batch, **ends, quantity=quantity))
        case _:
            raise Fault("Say what happened: received, counted, used, written off, transferred.")
    return f"{said} {way}."


def _of_receipt(given: QueryDict, depot: Depot) -> dict[str, Any]:
    price, arrival = given.get("price", "").strip(), given.get("arrival", "")
    row = Arrival.objects.filter(pk=whole_number(arrival), depot=depot).first()
    return {
        "price_minor": to_minor(read_number(price, "price")) if price else None,
        "best_before": _day(given.get("best_before", "")),
        "arrival": row,
    }


def read_quantity(text: str, item: Item) -> int:
    value = read_number(text, "quantity")
    whole = value * 1000 if item.unit == Item.Unit.ML else value
    if item.unit == Item.Unit.PIECES and not float(value).is_integer():
        raise Fault("Pieces are whole numbers.")
    if not 0 <= whole <= ledger.MOST:
        raise Fault("The quantity is a number from 0 up, in litres or pieces.")
    return round(whole)


def _depot(person: Person, slug: str) -> Depot:
    found = depots_of(person).filter(slug=slug).first()
    if not isinstance(found, Depot):
        raise Fault("Choose one of your depots.")
    return found


def _item(slug: str) -> Item:
    found = Item.objects.filter(slug=slug).first()
    if found is None:
        raise Fault("Choose an item from the list.")
    return found


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise Fault(f"“{text[:40]}” is not a date: write it as 2027-03-31.") from None
