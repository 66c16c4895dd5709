"""What was ordered and is on its way."""

from collections.abc import Collection
from datetime import date

from django.db.models import QuerySet

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Read, reader
from fleet.stores.doubt import Because, Entered, ask
from fleet.stores.models import Arrival, Item, Pack
from fleet.vehicles.find import Depots
from fleet.vehicles.models import Depot

REASON_LENGTH = 300
MOST_ORDERED = 10**12  # no order is larger [mL or pieces]


@reader
def packs_to_order(item_ids: Collection[int]) -> Read[dict[int, Pack]]:
    """The pack in which each item is ordered: the preferred one, else the largest."""
    rows = Pack.objects.filter(item__in=item_ids).order_by("preferred", "quantity")
    yield [rows]
    return {pack.item_id: pack for pack in rows}


def expect(
    actor: Actor,
    *,
    depot: Depot,
    item: Item,
    quantity: int,
    ordered_on: date,
    due_on: date,
    proposed: int = 0,
    override_reason: Because = "",
) -> Arrival:
    """Note an order, so that the same is not proposed again.

    Parameters
    ----------
    quantity, proposed
        What was ordered, and what the program proposed [mL or pieces]; 0: it proposed nothing.

    Raises
    ------
    Forbidden
        The person does not keep stock at the depot.
    Fault
        Nothing was ordered, or it is due before it was ordered.
    Question
        See `fleet.stores.doubt`; with ``override_reason`` it is kept.
    """
    actor.must(Right.KEEP_STOCK, depot)
    if not 0 < quantity <= MOST_ORDERED:
        raise Fault("Say how much was ordered: millilitres or pieces, above 0.")
    if due_on < ordered_on:
        raise Fault("It is due before it was ordered: look at the two days.")
    said = Entered(depot, item, quantity, ordered_on, due_on=due_on, proposed=proposed)
    why = ask(said, override_reason)
    return Arrival.objects.create(
        depot=depot,
        item=item,
        quantity=quantity,
        ordered_on=ordered_on,
        due_on=due_on,
        reason=why[:REASON_LENGTH],
    )


def coming(depots: Depots) -> QuerySet[Arrival]:
    """Orders of some depots that have not come yet."""
    rows = Arrival.objects.filter(depot__in=depots, received_on=None)
    return rows.select_related("item", "depot")


def give_up(actor: Actor, arrival: Arrival) -> None:
    """Take a cancelled order off the list."""
    actor.must(Right.KEEP_STOCK, arrival.depot)
    gone, _ = Arrival.objects.filter(pk=arrival.pk, received_on=None).delete()
    if not gone:
        raise Refused("It was received already: take the receipt back instead.")
