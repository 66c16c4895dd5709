"""The one row of history that each change of an order or a job leaves."""

from collections.abc import Iterable
from typing import Any

from fleet.people.actor import Actor
from fleet.workorders.models import Job, OrderEvent, WorkOrder


def note_event(
    actor: Actor,
    order: WorkOrder,
    what: str,
    *,
    job: Job | None = None,
    from_state: str = "",
    to_state: str = "",
    reason: str = "",
) -> OrderEvent:
    """Write the one row of history that a change of an order or a job leaves."""
    row = event_of(
        actor, order, what, job=job, from_state=from_state, to_state=to_state, reason=reason
    )
    row.save(force_insert=True)
    return row


def event_of(actor: Actor, order: WorkOrder, what: str, **said: Any) -> OrderEvent:
    """The row of history that a change leaves, not saved yet."""
    return OrderEvent(
        **_given(order, what),
        order=order,
        what=what,
        person=actor.person,
        channel=actor.channel,
        request_id=actor.request_id,
        performed_at=actor.at,
        **said,
    )


def _given(order: WorkOrder, what: str) -> dict[str, Any]:
    """What an order, as it is after the change, was given by it: its day, or a mechanic."""
    if what == "plan":
        return {"planned_on": order.planned_on, "emptied": order.planned_on is None}
    if what == "assign":
        return {"assigned_to_id": order.assigned_to_id, "emptied": order.assigned_to_id is None}
    if what == "draft":
        return {"planned_on": order.planned_on, "assigned_to_id": order.assigned_to_id}
    return {}


def note_events(
    actor: Actor, orders: Iterable[WorkOrder], what: str, to_state: str, reason: str = ""
) -> None:
    """Write the one row of history of each of many orders, which are as they were before."""
    said = {"to_state": to_state, "reason": reason[:300]}
    OrderEvent.objects.bulk_create(
        event_of(actor, order, what, from_state=order.state, **said) for order in orders
    )
