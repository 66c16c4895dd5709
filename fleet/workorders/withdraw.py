"""Take a record back: the row stays, with who took it back and why."""

from collections.abc import Collection

from django.db import transaction

from fleet.due.models import CheckResult
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.workorders import booking, confirming, followed, keep_fill
from fleet.workorders.events import note_event
from fleet.workorders.models import ConfirmRecord, Finding, FluidRecord, MaterialUsed
from fleet.workorders.models.records import Record
from fleet.workorders.recording import open_order


def withdraw(
    actor: Actor,
    order_id: int,
    record: Record | CheckResult,
    *,
    reason: str,
    also: Collection[str] = (),
) -> None:
    """Take a record of an order back; the row stays, with who took it back, when and why.

    What a fill or a top-up had put into the vehicle's history goes with it, and so does what a
    measured value had called for; the caller refreshes the vehicle afterwards.

    Parameters
    ----------
    also
        Keys of what followed from it (``followed.of``) and is taken back in the same breath.

    Raises
    ------
    Refused
        It was taken back already, or the order is signed off.
    Forbidden
        A mark among what followed, which another person must clear.
    """
    order = open_order(actor, order_id)
    with transaction.atomic():
        _take(actor, record, reason, also)
        if isinstance(record, FluidRecord):
            keep_fill.follow(record.job, record.compartment)
        if isinstance(record, ConfirmRecord):
            confirming.take_back(actor, record)
        if isinstance(record, FluidRecord | MaterialUsed):
            booking.follow(actor, record.job_id)
        note_event(actor, order, "withdraw record", reason=f"{record}: {reason.strip()}"[:300])


def withdraw_finding(
    actor: Actor, finding: Finding, *, reason: str, also: Collection[str] = ()
) -> None:
    """Take a finding back that was none, with or without an order; see ``withdraw``.

    Raises
    ------
    Refused
        It was taken back already, or followed up and closed.
    """
    actor.must(Right.RECORD_WORK, finding.vehicle.depot_id)
    if finding.closed_at is not None:
        raise Refused("This finding was followed up and closed: it stays.")
    with transaction.atomic():
        _take(actor, finding, reason, also)
        if finding.order is not None:
            said = f"{finding}: {reason.strip()}"[:300]
            note_event(actor, finding.order, "withdraw record", reason=said)


def _take(actor: Actor, record: Record | CheckResult, reason: str, also: Collection[str]) -> None:
    if not reason.strip():
        raise Fault("Say why it is taken back.", about="reason")
    offered = {row.key: row for row in followed.of(record)}
    if unknown := sorted(set(also) - set(offered)):
        raise Fault(
            f"{unknown[0]} did not follow from it, or is taken back already: look again.",
            about="also",
        )
    changed = type(record)._default_manager.filter(pk=record.pk, withdrawn_by=None)
    if not changed.update(**followed.stamped(actor, reason)):
        raise Refused("It was taken back already.")
    with_it = [row for row in offered.values() if row.goes_with_it or row.key in also]
    followed.take_back(actor, with_it, reason)
