"""What to order now, so that the stock lasts until the order after this one is here.

The night finds what each shelf must hold. What is proposed follows from that and from the stock as
it is, so that every move brings it up to date at once.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from django.db import models, transaction

from fleet.calc.convolve import Distribution
from fleet.calc.packs import packs_for
from fleet.calc.stock_level import to_order
from fleet.consumables.ahead import Ahead
from fleet.consumables.models import OrderProposal, StockNeed, TransferProposal
from fleet.consumables.position import Position, forecast_days, positions
from fleet.consumables.recipes import Recipes
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.reads import Read, reader
from fleet.stores import ledger, ordering
from fleet.stores.doubt import Because
from fleet.stores.ledger import Transfer, day_at
from fleet.stores.lots import Shelf
from fleet.stores.models import Arrival, Item, Pack, Stock, StockMove
from fleet.vehicles.models import Depot

PROPOSED = {"quantity": "as the program proposes"}  # why a quantity stands that a person leaves


def horizons_of(shelves: Iterable[Stock]) -> set[int]:
    """Days from today over which demand must be known to propose orders."""
    found: set[int] = set()
    for shelf in shelves:
        found |= {shelf.lead_time_d, _until_next(shelf)}
    return found


def _until_next(shelf: Stock) -> int:
    """An order placed now must last until the one after the next review is here."""
    return shelf.lead_time_d + shelf.review_period_d


@reader
def shelves() -> Read[list[Stock]]:
    """What depots keep, with depots and items."""
    rows = Stock.objects.select_related("depot", "item")
    yield [rows]
    return list(rows)


def looks_until(today: date, shelves: Sequence[Stock]) -> dict[tuple[str, str], date]:
    """The day up to which proposals see to it that stock lasts, by slugs of depot and item.

    ``shelves`` carry their depots and items.
    """
    return {
        (one.depot.slug, one.item.slug): today + timedelta(days=_until_next(one)) for one in shelves
    }


# --- what the night finds ----------------------------------------------------------------------
def record_needs(depot_id: int, shelves: Sequence[Stock], ahead: Ahead, recipes: Recipes) -> int:
    """Keep what each shelf of a depot must hold; give how many changed."""
    wanted = [
        _need(shelf, ahead.laws[shelf.item_id], ahead, recipes)
        for shelf in shelves
        if shelf.item_id in ahead.laws
    ]
    return _bring(StockNeed.objects.filter(depot=depot_id), wanted, ("item_id",))


def _need(shelf: Stock, laws: Sequence[Distribution], ahead: Ahead, recipes: Recipes) -> StockNeed:
    whole = _law(ahead, laws, _until_next(shelf))
    first = _law(ahead, laws, shelf.lead_time_d) if shelf.lead_time_d else None
    return StockNeed(
        depot_id=shelf.depot_id,
        item_id=shelf.item_id,
        needed=whole.quantile(shelf.service_level),
        needed_first=first.quantile(shelf.service_level) if first else 0,
        mean=round(whole.mean, 6),
        mean_first=round(first.mean, 6) if first else 0.0,
        whole_d=_until_next(shelf),
        first_d=shelf.lead_time_d,
        used_while_fresh=_used_while_fresh(shelf, laws, ahead, recipes),
    )


def _law(ahead: Ahead, laws: Sequence[Distribution], days: int) -> Distribution:
    """Demand from today over some days."""
    calendar = ahead.calendar
    return laws[len(calendar.months) + list(calendar.horizons).index(days)]


def _used_while_fresh(
    shelf: Stock, laws: Sequence[Distribution], ahead: Ahead, recipes: Recipes
) -> int | None:
    """What the depot uses on average while a delivery keeps; None where it keeps for ever."""
    keeps_d = recipes.items[shelf.item_id].shelf_life_d
    if keeps_d is None:
        return None
    months = ahead.calendar.months
    mean = sum(law.mean for law in laws[: len(months)])
    return int(mean * keeps_d / sum(stretch.days for stretch in months))


# --- what follows from it and the stock --------------------------------------------------------
@dataclass
class _Case:
    """A shelf, and what it lacks."""

    shelf: Stock
    need: StockNeed
    position: Position
    pack: Pack | None
    given: dict[int, int] = field(default_factory=dict)  # depot that gives -> quantity

    @property
    def until(self) -> date:
        return self.position.on + timedelta(days=_until_next(self.shelf))

    @cached_property
    def lacking(self) -> int:
        return self.need.needed - self.position.usable_with_orders(self.until)

    @property
    def order_by_on(self) -> date:
        """The last day on which the order is not too late, on a straight line between the needs;
        of a shelf that lacks something."""
        available = self.position.usable_with_orders(self.until)
        first, needed = self.need.needed_first, self.need.needed
        if available <= first:
            return self.position.on
        share = (available - first) / (needed - first)
        return self.position.on + timedelta(days=int(share * self.shelf.review_period_d))


def propose(item_ids: Collection[int] | None = None) -> int:
    """Bring the proposals of all depots up to date, or those of some items; give how many changed.

    Each depot counts from the day its forecast was brought up to. What another depot has beyond
    its own need is proposed before any is ordered.
    """
    days = forecast_days(Depot.objects.values_list("pk", flat=True))
    if not days:
        return 0
    shelves = Stock.objects.filter(depot__in=days).select_related("item").order_by("pk")
    needs = StockNeed.objects.filter(depot__in=days)
    if item_ids is not None:
        shelves, needs = shelves.filter(item__in=item_ids), needs.filter(item__in=item_ids)
    wanted = {(need.depot_id, need.item_id): need for need in needs}
    by_shelf = positions(days, item_ids) if wanted else {}
    cases = _cases(shelves, wanted, by_shelf)
    _share_out(cases, shelves, wanted, by_shelf)
    return _record(OrderProposal, item_ids, [row for one in cases if (row := _order(one))]) + (
        _record(TransferProposal, item_ids, [row for one in cases for row in _transfers(one)])
    )


def _cases(
    shelves: Iterable[Stock], needs: Mapping[Shelf, StockNeed], by_shelf: Mapping[Shelf, Position]
) -> list[_Case]:
    """What lacks something, the most pressing first."""
    packs = ordering.packs_to_order({item_id for _, item_id in needs})
    found = []
    for shelf in shelves:
        key = shelf.depot_id, shelf.item_id
        if key in needs:
            case = _Case(shelf, needs[key], by_shelf[key], packs.get(shelf.item_id))
            if case.lacking > 0:
                found.append(case)
    return sorted(found, key=lambda one: (one.order_by_on, one.shelf.pk))


def _share_out(
    cases: Sequence[_Case],
    shelves: Iterable[Stock],
    needs: Mapping[Shelf, StockNeed],
    by_shelf: Mapping[Shelf, Position],
) -> None:
    """Let depots that have more than they need give to those that lack it, the largest first."""
    if not cases:
        return
    spare: dict[int, dict[int, int]] = defaultdict(dict)  # item -> depot -> quantity
    for shelf in shelves:
        key = shelf.depot_id, shelf.item_id
        needed = needs[key].needed if key in needs else 0
        spare[shelf.item_id][shelf.depot_id] = by_shelf[key].fit - needed
    for case in cases:
        others = spare[case.shelf.item_id]
        for depot_id in sorted(others, key=lambda pk: (-others[pk], pk)):
            lacking = case.lacking - sum(case.given.values())
            quantity = _in_packs(case, lacking, _still_fit(case, depot_id, others, by_shelf))
            if depot_id != case.shelf.depot_id and quantity > 0:
                case.given[depot_id] = quantity
                others[depot_id] -= quantity


def _still_fit(
    case: _Case, depot_id: int, spare: Mapping[int, int], by_shelf: Mapping[Shelf, Position]
) -> int:
    """What a depot can spare that is not too old before it would be used."""
    lots = by_shelf[depot_id, case.shelf.item_id].lots
    return min(spare[depot_id], sum(lot.left for lot in lots if not lot.past(case.until)))


def _in_packs(case: _Case, lacking: int, spare: int) -> int:
    """What to send: whole packs of a fluid that is not drawn from bulk, for none is opened."""
    item, pack = case.shelf.item, case.pack
    if pack is None or item.unit == Item.Unit.PIECES or item.draw == Item.Draw.BULK:
        return min(lacking, spare)
    return min(packs_for(lacking, pack.quantity), spare // pack.quantity) * pack.quantity


def _transfers(case: _Case) -> list[TransferProposal]:
    return [
        TransferProposal(
            depot_id=case.shelf.depot_id,
            from_depot_id=depot_id,
            item_id=case.shelf.item_id,
            quantity=quantity,
            needed=case.need.needed,
            usable=case.position.usable,
            on_order=case.position.on_order(case.until),
            order_by_on=case.order_by_on,
        )
        for depot_id, quantity in case.given.items()
    ]


def _order(case: _Case) -> OrderProposal | None:
    """What is still lacking, in whole packs."""
    if case.pack is None:
        return None
    given, on_order = sum(case.given.values()), case.position.on_order(case.until)
    available = case.position.usable + on_order + given
    order = to_order(case.need.needed, available, case.need.used_while_fresh, case.pack.quantity)
    if order.packs == 0:
        return None
    return OrderProposal(
        depot_id=case.shelf.depot_id,
        item_id=case.shelf.item_id,
        pack=case.pack,
        packs=order.packs,
        quantity=order.quantity,
        needed=case.need.needed,
        on_hand=case.position.on_hand,
        usable=case.position.usable,
        on_order=on_order,
        transferred=given,
        order_by_on=case.order_by_on,
        capped_by_shelf_life=order.capped,
    )


def _record(
    model: type[models.Model], item_ids: Collection[int] | None, wanted: Sequence[Any]
) -> int:
    rows = model._default_manager.all()
    stored = rows if item_ids is None else rows.filter(item__in=item_ids)
    unique = next(iter(model._meta.constraints)).fields  # type: ignore[attr-defined]
    return _bring(stored, wanted, tuple(f"{name}_id" for name in unique))


def _bring(stored: models.QuerySet[Any], wanted: Sequence[Any], key: Sequence[str]) -> int:
    """Write what differs; what is not wanted any more goes."""
    former = {tuple(getattr(row, name) for name in key): row for row in stored}
    written = 0
    for row in wanted:
        before = former.pop(tuple(getattr(row, name) for name in key), None)
        row.pk = before.pk if before else None
        if before is None or _differs(before, row):
            row.save(force_update=before is not None)
            written += 1
    gone = [row.pk for row in former.values()]
    return written + int(stored.filter(pk__in=gone).delete()[0])


def _differs(before: models.Model, row: models.Model) -> bool:
    names = [column.attname for column in before._meta.concrete_fields]
    return any(getattr(before, name) != getattr(row, name) for name in names)


# --- what a person does ------------------------------------------------------------------------
def order(
    actor: Actor,
    proposal: OrderProposal,
    due_on: date,
    quantity: int | None = None,
    override_reason: Because = "",
) -> Arrival:
    """Note that a proposal was ordered, so that it is on order and proposed no more.

    Parameters
    ----------
    quantity
        What was ordered instead of the proposed quantity [mL or pieces].

    Raises
    ------
    Refused
        Somebody else noted it before.
    Forbidden, Fault, Question
        See `fleet.stores.ordering.expect`.
    """
    if quantity in (None, proposal.quantity):
        override_reason = _as_proposed(override_reason)
    with transaction.atomic():
        gone, _ = OrderProposal.objects.filter(pk=proposal.pk).delete()
        if not gone:
            raise Refused(f"{proposal.item} was ordered already, or is not needed any more.")
        return ordering.expect(
            actor,
            depot=proposal.depot,
            item=proposal.item,
            quantity=proposal.quantity if quantity is None else quantity,
            ordered_on=day_at(proposal.depot, actor),
            due_on=due_on,
            proposed=proposal.quantity,
            override_reason=override_reason,
        )


def _as_proposed(because: Because) -> Because:
    if isinstance(because, str):
        return because.strip() or PROPOSED
    return {**PROPOSED, **because}


def order_many(
    actor: Actor, shown: Mapping[int, tuple[int, date]], rows: Iterable[OrderProposal]
) -> tuple[list[Arrival], list[Fault]]:
    """Note many proposals as ordered, each as it was shown; what refuses the others.

    Parameters
    ----------
    shown
        Quantity [mL or pieces] and the day it comes, by proposal.
    rows
        These proposals as they stand now.
    """
    ordered, faults = [], []
    for row in rows:
        quantity, due_on = shown[row.pk]
        try:
            if quantity != row.quantity:
                raise Refused(f"Of {row.item} at {row.depot} another quantity is proposed by now.")
            ordered.append(order(actor, row, due_on))
        except Fault as fault:
            faults.append(fault)
    return ordered, faults


def hand_over(actor: Actor, proposal: TransferProposal, *, key: str) -> list[StockMove]:
    """Move what another depot was proposed to give.

    Raises
    ------
    Refused
        Somebody else did before, or it is not needed any more.
    Forbidden
        The person does not keep stock at both depots.
    """
    with transaction.atomic():
        if not TransferProposal.objects.select_for_update().filter(pk=proposal.pk).exists():
            raise Refused(f"{proposal.item} was transferred already, or is not needed any more.")
        return ledger.transfer(
            actor,
            Transfer(
                from_depot=proposal.from_depot,
                to_depot=proposal.depot,
                item=proposal.item,
                quantity=proposal.quantity,
                reason=f"proposed: {proposal.depot} lacks it",
                override_reason=PROPOSED,
                key=key,
            ),
        )
