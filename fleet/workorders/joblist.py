"""Add jobs to an order, or take jobs off it, until it is finished: one event for each change."""

from collections.abc import Collection, Sequence

from django.db import transaction

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.workorders import issue, needed
from fleet.workorders.bays import refuse_on_the_ground
from fleet.workorders.events import note_event
from fleet.workorders.issue import OtherWork
from fleet.workorders.models import (
    FluidRecord,
    Job,
    MaterialUsed,
    Raising,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.progress import NOT_BEGUN, edit, locked

RECORDS = (TorqueRecord, FluidRecord, MaterialUsed)


def add_jobs(
    actor: Actor,
    order_id: int,
    *,
    service_ids: Sequence[int] = (),
    other_work: Sequence[OtherWork] = (),
    reason: str = "",
    version: int | None = None,
) -> WorkOrder:
    """Put services, or other work, on an order that is not finished.

    Raises
    ------
    Fault
        Nothing to add, or a service of another vehicle type.
    Refused
        One has an open job already, the vehicle stands on the ground and a step goes under it, or
        outside work was named.
    """
    if not service_ids and not other_work:
        raise Fault("Choose a service to add, or say other work in words.", about="services")
    with transaction.atomic():
        order = edit(actor, order_id, "", Right.RELEASE, version)
        _refuse_outside(order)
        services = issue.services_of(order.vehicle, service_ids)
        issue.refuse_open(order.vehicle, services)
        if order.raising == Raising.NONE:
            refuse_on_the_ground([service.pk for service in services])
        issue.put_on(order, services, other_work)
        names = [service.name for service in services] + [title for title, _ in other_work]
        note_event(
            actor, order, "add jobs", from_state=order.state, to_state=order.state,
            reason=_said(names, reason),
        )  # fmt: skip
    return order


def drop_jobs(
    actor: Actor,
    order_id: int,
    *,
    job_ids: Collection[int],
    reason: str,
    version: int | None = None,
) -> WorkOrder:
    """Take open jobs off an order; their services are free for another one.

    Raises
    ------
    Fault
        No reason, or no such job.
    Refused
        A job has ended or has records, or none would be left.
    """
    if not reason.strip():
        raise Fault("Say why the jobs are taken off the order.", about="reason")
    with transaction.atomic():
        order = edit(actor, order_id, "", Right.RELEASE, version)
        chosen = list(order.jobs.filter(pk__in=job_ids).order_by("pk"))
        if not chosen or len(chosen) < len(set(job_ids)):
            raise Fault(f"{order} has no such job: choose some of its own.", about="jobs")
        for job in chosen:
            _refuse_begun(job)
        if not order.jobs.exclude(pk__in=job_ids).exclude(state=Job.State.DROPPED).exists():
            raise Refused(f"Nothing would be left of {order}: cancel it instead.", about="jobs")
        order.jobs.filter(pk__in=job_ids).update(
            state=Job.State.DROPPED, ended_at=actor.at, ended_by=actor.person
        )
        needed.keep([order.pk])
        note_event(
            actor, order, "drop jobs", from_state=order.state, to_state=order.state,
            reason=_said([job.title for job in chosen], reason),
        )  # fmt: skip
    return order


def move_jobs(
    actor: Actor,
    order_id: int,
    job_ids: Collection[int],
    *,
    to_id: int | None,
    reason: str,
    version: int | None = None,
) -> WorkOrder:
    """Put open jobs of a drafted order on another of its vehicle, or on a new one of their own;
    give the order they are on. An order that is left with nothing is cancelled.

    Raises
    ------
    Fault
        No such job, or an order of another vehicle.
    Refused
        A job has ended or has records, or the other order is no longer before its start.
    """
    with transaction.atomic():
        ids = [order_id] if to_id is None else sorted((order_id, to_id))
        orders = {pk: locked(pk, "vehicle") for pk in ids}  # one order of locking for all
        chosen = list(orders[order_id].jobs.filter(pk__in=job_ids).order_by("pk"))
        if not chosen or len(chosen) < len(set(job_ids)):
            raise Fault(
                f"{orders[order_id]} has no such job: choose some of its own.", about="jobs"
            )
        for job in chosen:
            _refuse_begun(job)
        actor.must(Right.RELEASE, orders[order_id].depot_id)
        titles = [job.title for job in chosen]
        if to_id is None:
            target = issue.empty_draft(actor, orders[order_id].vehicle, _said(titles, reason))
        else:
            target = edit(actor, to_id, "", Right.RELEASE, None, states=NOT_BEGUN)
            note_event(
                actor, target, "add jobs", from_state=target.state, to_state=target.state,
                reason=_said(titles, f"from {orders[order_id]}, {reason}"),
            )  # fmt: skip
        if target.vehicle_id != orders[order_id].vehicle_id:
            raise Fault(f"{target} is of another vehicle.", about="jobs")
        orders[order_id].jobs.filter(pk__in=job_ids).update(order=target)
        needed.keep([order_id, target.pk])
        _left(actor, orders[order_id], _said(titles, f"to {target}, {reason}"), version)
    return target


def _left(actor: Actor, order: WorkOrder, reason: str, version: int | None) -> None:
    """One event of an order that jobs were moved off: cancelled, where nothing is left."""
    empty = not order.jobs.exclude(state=Job.State.DROPPED).exists()
    what = "cancel" if empty else "drop jobs"
    changes = {"state": WorkOrder.State.CANCELLED} if empty else {}
    edit(actor, order.pk, what, Right.RELEASE, version, states=(WorkOrder.State.DRAFTED,),
         reason=reason, **changes)  # fmt: skip


def _refuse_outside(order: WorkOrder) -> None:
    if order.where == WorkOrder.Where.OUTSIDE:
        raise Refused(f"{order} is of an outside workshop: its papers say what was done.")


def _refuse_begun(job: Job) -> None:
    if job.state != Job.State.OPEN:
        raise Refused(f"{job.title} is {job.state}: only an open job is taken off.", about="jobs")
    recorded = any(model.objects.filter(job=job, withdrawn_by=None).exists() for model in RECORDS)
    if recorded:
        raise Refused(
            f"Something is recorded for {job.title}: end it as part done or not done instead.",
            about="jobs",
        )


def _said(names: Sequence[str], reason: str) -> str:
    why = f": {reason.strip()}" if reason.strip() else ""
    return f"{', '.join(names)}{why}"[:300]
