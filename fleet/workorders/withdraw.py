"""Take a record back: the row stays, with who took it back and why."""

from django.db import transaction

from fleet.due.record import take_back_fill, take_back_top_up
from fleet.faults import Fault, Refused
from fleet.workorders import booking
from fleet.workorders.actor import Actor, note_event
from fleet.workorders.models import FluidRecord, MaterialUsed, WorkOrder
from fleet.workorders.models.records import Record
from fleet.workorders.recording import open_order


def withdraw(actor: Actor, order_id: int, record: Record, *, reason: str) -> None:
    """Take a record of an order back; the row stays, with who took it back and why.

    What a fill or a top-up had put into the vehicle's history goes with it; the caller refreshes
    the vehicle afterwards.
    """
    order = open_order(actor, order_id)
    if not reason.strip():
        raise Fault("Say why it is taken back.", about="reason")
    with transaction.atomic():
        changed = type(record)._default_manager.filter(pk=record.pk, withdrawn_by=None)
        if not changed.update(withdrawn_by=actor.person, withdrawn_reason=reason.strip()[:300]):
            raise Refused("It was taken back already.")
        if isinstance(record, FluidRecord):
            _pour_back(order, record)
        if isinstance(record, FluidRecord | MaterialUsed):
            booking.follow(actor, record.job_id)
        note_event(actor, order, "withdraw record", reason=f"{record}: {reason.strip()}"[:300])


def _pour_back(order: WorkOrder, record: FluidRecord) -> None:
    """Take out of the history what this record had kept there; the record itself stays."""
    if record.way == FluidRecord.Way.TOP_UP:
        take_back_top_up(record.client_key)
    elif record.way == FluidRecord.Way.IN:
        take_back_fill(
            vehicle=order.vehicle,
            compartment=record.compartment,
            product=record.product,
            quantity_ml=record.quantity_ml,
            source=f"work order {order}",
        )
