"""What to order now, so that the stock lasts until the order after this one is here."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from django.db import transaction

from fleet.calc.convolve import Distribution
from fleet.calc.stock_level import to_order
from fleet.consumables.ahead import Ahead
from fleet.consumables.models import OrderProposal
from fleet.consumables.recipes import Recipes
from fleet.faults import Refused
from fleet.people.actor import Actor
from fleet.stores import ordering
from fleet.stores.ledger import day_at
from fleet.stores.models import Arrival, Stock


def horizons_of(shelves: Iterable[Stock]) -> set[int]:
    """Days from today over which demand must be known to propose orders."""
    found: set[int] = set()
    for shelf in shelves:
        found |= {shelf.lead_time_d, _until_next(shelf)}
    return found


def propose(
    depot_id: int, today: date, shelves: Sequence[Stock], ahead: Ahead, recipes: Recipes
) -> int:
    """Bring a depot's proposals up to date; give how many changed."""
    coming = _coming(depot_id)
    wanted = {}
    for shelf in shelves:
        found = _proposal(shelf, today, ahead, recipes, coming[shelf.item_id])
        if found is not None:
            wanted[shelf.item_id] = found
    return _record(depot_id, wanted)


def _until_next(shelf: Stock) -> int:
    """An order placed now must last until the one after the next review is here."""
    return shelf.lead_time_d + shelf.review_period_d


def _coming(depot_id: int) -> dict[int, list[Arrival]]:
    found: dict[int, list[Arrival]] = defaultdict(list)
    for row in Arrival.objects.filter(depot=depot_id, received_on=None):
        found[row.item_id].append(row)
    return found


def _proposal(
    shelf: Stock, today: date, ahead: Ahead, recipes: Recipes, coming: Sequence[Arrival]
) -> OrderProposal | None:
    laws, pack = ahead.laws.get(shelf.item_id), recipes.pack_of(shelf.item_id)
    if laws is None or pack is None:
        return None
    days = _until_next(shelf)
    needed = _law(ahead, laws, days).quantile(shelf.service_level)
    on_order = sum(row.quantity for row in coming if row.due_on <= today + timedelta(days=days))
    order = to_order(
        needed, shelf.on_hand + on_order, _usable(shelf, laws, ahead, recipes), pack.quantity
    )
    if order.packs == 0:
        return None
    return OrderProposal(
        depot_id=shelf.depot_id,
        item_id=shelf.item_id,
        pack=pack,
        packs=order.packs,
        quantity=order.quantity,
        needed=needed,
        on_hand=shelf.on_hand,
        on_order=on_order,
        order_by_on=_order_by(shelf, today, ahead, laws, needed, on_order),
        capped_by_shelf_life=order.capped,
    )


def _law(ahead: Ahead, laws: Sequence[Distribution], days: int) -> Distribution:
    """Demand from today over some days; of no days it is nothing."""
    calendar = ahead.calendar
    if days not in calendar.horizons:
        return laws[0]
    return laws[len(calendar.months) + list(calendar.horizons).index(days)]


def _usable(
    shelf: Stock, laws: Sequence[Distribution], ahead: Ahead, recipes: Recipes
) -> int | None:
    """What the depot uses on average while a delivery keeps; None where it keeps for ever."""
    keeps_d = recipes.items[shelf.item_id].shelf_life_d
    if keeps_d is None:
        return None
    months = ahead.calendar.months
    mean = sum(law.mean for law in laws[: len(months)])
    return int(mean * keeps_d / sum(stretch.days for stretch in months))


def _order_by(
    shelf: Stock,
    today: date,
    ahead: Ahead,
    laws: Sequence[Distribution],
    needed: int,
    on_order: int,
) -> date:
    """The last day on which the order is not too late, on a straight line between the two needs."""
    available = shelf.on_hand + on_order
    first = (
        _law(ahead, laws, shelf.lead_time_d).quantile(shelf.service_level)
        if shelf.lead_time_d
        else 0
    )
    if available <= first or needed <= first:
        return today
    share = min((available - first) / (needed - first), 1.0)
    return today + timedelta(days=int(share * shelf.review_period_d))


def order(actor: Actor, proposal: OrderProposal, due_on: date) -> Arrival:
    """Note that a proposal was ordered, so that it is on order and proposed no more.

    Raises
    ------
    Refused
        Somebody else noted it before.
    Forbidden, Fault
        See `fleet.stores.ordering.expect`.
    """
    with transaction.atomic():
        gone, _ = OrderProposal.objects.filter(pk=proposal.pk).delete()
        if not gone:
            raise Refused(f"{proposal.item} was ordered already, or is not needed any more.")
        return ordering.expect(
            actor,
            depot=proposal.depot,
            item=proposal.item,
            quantity=proposal.quantity,
            ordered_on=day_at(proposal.depot, actor),
            due_on=due_on,
        )


FIELDS = (
    *("pack_id", "packs", "quantity", "needed", "on_hand", "on_order", "order_by_on"),
    "capped_by_shelf_life",
)


def _record(depot_id: int, wanted: dict[int, OrderProposal]) -> int:
    """Write what differs; a proposal that is no longer one goes."""
    stored = {row.item_id: row for row in OrderProposal.objects.filter(depot=depot_id)}
    gone = [row.pk for item_id, row in stored.items() if item_id not in wanted]
    written = OrderProposal.objects.filter(pk__in=gone).delete()[0]
    for item_id, row in wanted.items():
        before = stored.get(item_id)
        if before and all(getattr(before, name) == getattr(row, name) for name in FIELDS):
            continue
        row.pk = before.pk if before else None
        row.save(force_update=before is not None)
        written += 1
    return written
