"""What was ordered and is on its way."""

from datetime import date

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.models import Arrival, Item
from fleet.vehicles.models import Depot


def expect(
    actor: Actor, *, depot: Depot, item: Item, quantity: int, ordered_on: date, due_on: date
) -> Arrival:
    """Note an order, so that the same is not proposed again.

    Raises
    ------
    Forbidden
        The person does not keep stock at the depot.
    Fault
        Nothing was ordered, or it is due before it was ordered.
    """
    actor.must(Right.KEEP_STOCK, depot)
    if quantity <= 0:
        raise Fault("Say how much was ordered: millilitres or pieces, above 0.")
    if due_on < ordered_on:
        raise Fault("It is due before it was ordered: look at the two days.")
    return Arrival.objects.create(
        depot=depot, item=item, quantity=quantity, ordered_on=ordered_on, due_on=due_on
    )


def give_up(actor: Actor, arrival: Arrival) -> None:
    """Take an order off the list that will not come."""
    actor.must(Right.KEEP_STOCK, arrival.depot)
    gone, _ = Arrival.objects.filter(pk=arrival.pk, received_on=None).delete()
    if not gone:
        raise Refused("It was received already: take the receipt back instead.")
