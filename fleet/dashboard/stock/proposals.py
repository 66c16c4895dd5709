"""What is to be ordered and what is on order, in words; proposals noted as ordered, one or all."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.contrib import messages
from django.http import HttpResponse

from fleet.consumables import propose
from fleet.consumables.listing import Wrong
from fleet.consumables.models import OrderProposal, StockNeed, TransferProposal
from fleet.dashboard.acts import act, back
from fleet.dashboard.frame import SignedIn, needs
from fleet.dashboard.stock.lines import amount, to_type
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of
from fleet.stores.levels import lead_times
from fleet.stores.models import Arrival, Stock

MOST_AT_ONCE = 500
WRONG_WORDS: dict[str, str] = {
    Wrong.OVERDRAWN: "By the record more was used at {} than ever came: this quantity is a guess.",
    Wrong.NEVER_BOOKED: "Nothing was ever booked in or counted at {}: this quantity is a guess.",
}


@dataclass(frozen=True)
class ProposalLine:
    row: OrderProposal
    quantity: str
    typed: str  # the quantity as the field of the form shows it
    needed: str
    there: str
    given: str  # from other depots; empty: nothing
    count_first: str  # why the record cannot be right; empty: nothing speaks against it
    pack: str  # what one holds; empty: no pack is known
    due_on: date  # where it is ordered today

    @property
    def shown(self) -> str:
        """What a form that takes it as it stands sends back."""
        return f"{self.row.pk}:{self.row.quantity}:{self.due_on}"


Leads = dict[tuple[int, int], int]  # days by depot and item


def proposal_lines(
    rows: Sequence[OrderProposal], today: date, leads: Leads | None = None
) -> list[ProposalLine]:
    """Lines of proposals; ``leads`` are those of ``lead_times``, where they are known already."""
    if leads is None:
        leads = lead_times({row.depot_id for row in rows}) if rows else {}
    days = [leads.get((row.depot_id, row.item_id), 0) for row in rows]
    return [_line(row, today + timedelta(own)) for row, own in zip(rows, days, strict=True)]


def count_first(row: OrderProposal | TransferProposal) -> str:
    """Why the record of the shelf that it is for cannot be right; empty: nothing says so."""
    words = WRONG_WORDS.get(row.record_wrong, "")  # type: ignore[union-attr]
    return words.format(row.depot.name)


def _line(row: OrderProposal, due_on: date) -> ProposalLine:
    unit = row.item.unit
    return ProposalLine(
        row=row,
        quantity=amount(row.quantity, unit),
        typed=to_type(row.quantity, unit),
        needed=amount(row.needed, unit),
        there=in_hand(row.usable + row.on_order, unit),
        given=amount(row.transferred, unit) if row.transferred else "",
        count_first=count_first(row),
        pack=amount(row.pack.quantity, unit) if row.pack else "",
        due_on=due_on,
    )


def in_hand(quantity: int, unit: str) -> str:
    """What there is of it; more may have been used than was ever booked in."""
    if quantity < 0:
        return f"{amount(-quantity, unit)} more used than is booked in or on order"
    return f"{amount(quantity, unit)} usable or on order"


def _without_order(quantity: int, unit: str) -> str:
    """What there is of it before an order comes, likewise."""
    if quantity < 0:
        return f"{amount(-quantity, unit)} more used than was ever booked in"
    return f"{amount(quantity, unit)} on hand"


def coming_lines(
    arrivals: Iterable[Arrival],
    shelves: Iterable[Stock],
    needed: Mapping[tuple[int, int], StockNeed],
    until: Mapping[tuple[str, str], date],
) -> list[dict[str, object]]:
    """What is on order, each with what it is for: what is needed, until when, beside the stock."""
    stock = {(one.depot_id, one.item_id): one.on_hand for one in shelves}
    found = []
    for row in arrivals:
        key, unit = (row.depot_id, row.item_id), row.item.unit
        need = needed.get(key)
        found.append(
            {
                "row": row,
                "quantity": amount(row.quantity, unit),
                "needed": amount(need.needed, unit) if need and need.needed > 0 else "",
                "until": until.get((row.depot.slug, row.item.slug)),
                "there": _without_order(stock.get(key, 0), unit),
            }
        )
    return found


@needs(Right.KEEP_STOCK)
@act("consumables")
def order_all_proposed(request: SignedIn, actor: Actor) -> HttpResponse:
    """Note every proposal that was shown as ordered, as it was shown."""
    if not request.POST.getlist("proposal"):
        messages.error(request, "Choose what was ordered first.")
        return back(request, "consumables")
    shown = dict(_shown(request.POST.getlist("proposal")[:MOST_AT_ONCE]))
    seen = OrderProposal.objects.filter(depot__in=depots_of(request.user), pk__in=shown)
    ordered, faults = propose.order_many(actor, shown, list(seen.select_related("depot", "item")))
    for fault in faults:
        messages.warning(request, str(fault))
    if ordered:
        messages.success(request, f"{len(ordered)} item{'s' * (len(ordered) != 1)} on order.")
    elif not faults:
        messages.error(request, "Those proposals are gone: ordered, or not needed any more.")
    return back(request, "consumables")


def _shown(texts: Iterable[str]) -> Iterator[tuple[int, tuple[int, date]]]:
    """Quantity and day of each proposal, as the page sent them."""
    for text in texts:
        pk, quantity, on = (*text.split(":"), "", "")[:3]
        if pk.isdecimal() and quantity.isdecimal():
            yield whole_number(pk), (whole_number(quantity), day_given(on))


def day_given(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Fault("Give the day, as 2026-08-31.", about="due_on") from None
