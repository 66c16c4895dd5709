"""The one row of history that each change of an order or a job leaves."""

from collections.abc import Iterable

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
    return OrderEvent.objects.create(
        order=order,
        job=job,
        what=what,
        from_state=from_state,
        to_state=to_state,
        person=actor.person,
        channel=actor.channel,
        reason=reason,
        request_id=actor.request_id,
        performed_at=actor.at,
    )


def note_events(
    actor: Actor, orders: Iterable[WorkOrder], what: str, to_state: str, reason: str = ""
) -> None:
    """Write the one row of history of each of many orders, which are as they were before."""
    OrderEvent.objects.bulk_create(
        OrderEvent(
            order=order,
            what=what,
            from_state=order.state,
            to_state=to_state,
            person=actor.person,
            channel=actor.channel,
            reason=reason[:300],
            request_id=actor.request_id,
            performed_at=actor.at,
        )
        for order in orders
    )
