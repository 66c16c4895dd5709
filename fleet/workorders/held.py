"""Orders that a transaction holds: changed at the version that was seen, or refused."""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from django.db.models import F

from fleet.faults import Refused, Stale
from fleet.people.actor import Actor
from fleet.workorders.events import note_events
from fleet.workorders.models import WorkOrder


def edit_held(
    actor: Actor, orders: Sequence[WorkOrder], what: str, reason: str = "", **changes: Any
) -> None:
    """Change many orders that the caller holds and that nothing refuses; an event tells of each."""
    note_events(actor, orders, what, changes["state"], reason)
    held = WorkOrder.objects.filter(pk__in=[order.pk for order in orders])
    held.update(version=F("version") + 1, **changes)
    for order in orders:
        change(order, changes)


def change(order: WorkOrder, changes: Mapping[str, object]) -> None:
    """Let an order in hand show what its row has become."""
    order.version += 1
    for name, value in changes.items():
        setattr(order, name, value.astimezone(UTC) if isinstance(value, datetime) else value)


def refuse_unless(order: WorkOrder, states: Collection[str], version: int | None) -> None:
    """Refuse an order that is in none of the states, or not at the version that was seen."""
    if version not in (None, order.version) or order.state not in states:
        explain_refusal(order, states, version)


def explain_refusal(order: WorkOrder, states: Collection[str], version: int | None) -> None:
    """Say why a claim of an order found nothing."""
    if version is not None and order.version != version:
        raise Stale(f"{order} was changed meanwhile: it is {order.state} now. Look again.")
    allowed = " or ".join(str(state) for state in states)
    raise Refused(f"{order} is {order.state}; this needs an order that is {allowed}.")
