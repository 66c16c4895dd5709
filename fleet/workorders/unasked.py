"""Drafts of the program that nothing asks for any more, once what they rested on is withdrawn."""

from datetime import datetime

from django.db.models import Exists, OuterRef

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.people.actor import Actor
from fleet.today import today_at
from fleet.workorders import lines, progress
from fleet.workorders.due_soon import due_soon
from fleet.workorders.models import OrderEvent, WorkOrder


def cancel_unasked(actor: Actor, vehicle_ids: Array, since: datetime, reason: str) -> int:
    """Cancel what the program drafted since an instant, nobody has touched, and of which it would
    draft nothing today; how many orders."""
    touched = OrderEvent.objects.filter(order=OuterRef("pk")).exclude(what="draft", person=None)
    where, params = bulk.among("workorders_workorder.vehicle_id", vehicle_ids)
    rows = WorkOrder.objects.filter(
        ~Exists(touched),
        state=WorkOrder.State.DRAFTED,
        follows=None,
        events__what="draft",
        events__performed_at__gte=since,
    ).extra(where=[where], params=params)  # noqa: S610
    orders = list(rows.select_related("depot").order_by("pk"))
    waiting = lines.lines(order.vehicle_id for order in orders)  # no reason for an order
    unasked = [one.pk for one in orders if not _is_asked_for(one, actor.now, waiting)]
    for pk in unasked:
        progress.cancel(actor, pk, reason=reason)
    return len(unasked)


def _is_asked_for(order: WorkOrder, now: datetime, waiting: lines.Lines) -> bool:
    rows = due_soon(today_at(order.depot.zone, now), "d.vehicle_id = %s", [order.vehicle_id])
    asked = {row[:2] for row in rows if not row.is_round}
    reasons = {None, *(service_id for _, service_id in asked - set(waiting))}
    return not reasons.isdisjoint(order.jobs.values_list("service", flat=True))
