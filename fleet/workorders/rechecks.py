"""Re-checks: called when an order is finished, withdrawn when it is opened again, and ordered
where waiting for the vehicle's next visit could hurt."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from fleet import bulk
from fleet.due.calls import standing
from fleet.due.models import DueDate, DueEarlier, ServiceDone
from fleet.due.rules import gather_depots
from fleet.people.actor import Actor
from fleet.readings.models import Reading
from fleet.today import today_at
from fleet.vehicles.models import Vehicle
from fleet.vehicles.own_unit import odometer_unit
from fleet.workorders import issue, progress
from fleet.workorders.issue import OrderDraft
from fleet.workorders.lines import FEW, URGENT
from fleet.workorders.models import CalledBy, Fastener, Finding, Job, ReCheckRule, Step, WorkOrder
from fleet.workorders.rules import when_words

Applies = ReCheckRule.Applies
WORKED_ON = (Job.State.DONE, Job.State.PART_DONE)


# --- called at the finish ------------------------------------------------------------------
def call(actor: Actor, order: WorkOrder, reading: Reading) -> list[DueEarlier]:
    """Call for what must be looked at again after an order: one call per job and rule.

    An older call of the same rule ends here: its work has been done anew. Call it inside the
    transaction of the finish; the caller refreshes the vehicle afterwards.
    """
    jobs = order.jobs.filter(state__in=WORKED_ON, service__procedure__isnull=False)
    found = []
    for job in jobs.select_related("service__procedure", "done", "order__depot"):
        for rule in _rules_that_apply(job):
            older = _calls_of(order.vehicle_id, rule)
            older.update(withdrawn_at=actor.at)
            found.append(_call(actor, job, rule, reading))
    return found


def _rules_that_apply(job: Job) -> list[ReCheckRule]:
    service = job.service
    if service is None:
        return []
    rules = ReCheckRule.objects.filter(procedure=service.procedure).order_by("slug")
    beside = rules.select_related("service", "procedure")
    return [rule for rule in beside if _applies(rule, job)]


def _applies(rule: ReCheckRule, job: Job) -> bool:
    if rule.applies == Applies.WHEELS_REMOVED:
        return rule.procedure.wheels_removed
    if rule.applies == Applies.SEALANT_USED:
        return _sealant_used(rule, job)
    return True


def _sealant_used(rule: ReCheckRule, job: Job) -> bool:
    """By what was recorded, or because the procedure closes something with sealant anyway."""
    fasteners = Fastener.objects.filter(procedure=rule.procedure, seal=Fastener.Seal.SEALANT)
    sealed = list(fasteners.values_list("slug", flat=True))
    closing = [kind for kind in Step.Kind.values if kind.startswith("close")]
    steps = Step.objects.filter(procedure=rule.procedure, fastener__in=sealed, kind__in=closing)
    tightened = job.torques.filter(withdrawn_by=None, fastener__in=sealed)
    used = job.materials_used.filter(withdrawn_by=None, name__icontains="sealant")
    return steps.exists() or tightened.exists() or used.exists()


def _calls_of(vehicle_id: int, rule: ReCheckRule) -> QuerySet[DueEarlier]:
    here = standing([vehicle_id]).filter(called_by__rule=rule)
    return DueEarlier.objects.filter(pk__in=list(here.values_list("pk", flat=True)))


def _call(actor: Actor, job: Job, rule: ReCheckRule, reading: Reading) -> DueEarlier:
    at = job.ended_at or actor.at
    row = _new_call(actor, job, rule, at, f"{job.title}, {job.order}", job.done)
    if job.done is None:
        row.reading = reading
        row.save(update_fields=["reading"])
    CalledBy.objects.update_or_create(job=job, rule=rule, defaults={"call": row, "finding": None})
    return row


def call_anew(
    actor: Actor, job: Job, rule: ReCheckRule, done: ServiceDone, finding: Finding
) -> DueEarlier:
    """Call a re-check again because something was not as it should be when it was made."""
    at = done.done_at or actor.at
    row = _new_call(actor, job, rule, at, f"a finding: {finding.text}", done)
    CalledBy.objects.update_or_create(
        job=job, rule=rule, defaults={"call": row, "finding": finding}
    )
    return row


def _new_call(
    actor: Actor, job: Job, rule: ReCheckRule, at: datetime, after: str, done: ServiceDone | None
) -> DueEarlier:
    zone, unit = ZoneInfo(job.order.depot.zone), odometer_unit(job.vehicle_id)
    return DueEarlier.objects.create(
        vehicle_id=job.vehicle_id,
        service=rule.service,
        called_on=at.astimezone(zone).date(),
        called_at=at,
        due_on=_due_on(rule, at, zone),
        after_km=rule.to_km,
        anchor=done,
        reason=f"{rule.text}: {when_words(rule, unit)}, after {after}"[:300],
        person=actor.person,
    )


def _due_on(rule: ReCheckRule, at: datetime, zone: ZoneInfo) -> date | None:
    """Day by which it is due: none where a distance or minutes standing are either enough."""
    if rule.after_d is not None:
        return at.astimezone(zone).date() + timedelta(days=rule.after_d)
    if rule.to_km is None and rule.after_min is not None:
        return (at + timedelta(minutes=rule.after_min)).astimezone(zone).date()
    return None


# --- withdrawn at a correction -------------------------------------------------------------
def withdraw_calls(actor: Actor, order: WorkOrder) -> None:
    """Take back what an order called for, and the orders for it that nobody has started.

    Records made meanwhile stay; the next finish calls anew.
    """
    calls = DueEarlier.objects.filter(
        called_by__job__order=order, called_by__rule__isnull=False, withdrawn_at=None
    )
    taken = set(calls.values_list("service_id", flat=True))
    calls.update(withdrawn_at=actor.at)
    left = set(standing([order.vehicle_id]).values_list("service_id", flat=True))
    waiting = Job.objects.filter(
        vehicle=order.vehicle_id,
        service__in=taken - left,
        state=Job.State.OPEN,
        order__state__in=progress.NOT_BEGUN,
    )
    for pk in sorted(set(waiting.values_list("order_id", flat=True))):
        progress.drop(actor, pk, service_ids=taken - left, reason=f"{order} is being corrected")


# --- ordered by the program ----------------------------------------------------------------
def order_called(
    now: datetime,
    *,
    vehicle_ids: Collection[int] | None = None,
    depot_ids: Collection[int] | None = None,
) -> int:
    """Draft and release an order for every call that must not wait, and give the orders made.

    Only what can hurt (wheels, brakes, steering), and what a finding called for anew. It acts as
    the program, gives the order to nobody, and may be run again without harm. Due dates must be
    up to date.

    Parameters
    ----------
    vehicle_ids, depot_ids
        Only these vehicles, or the vehicles of these depots; default: the whole fleet.
    """
    services: dict[int, list[int]] = defaultdict(list)
    for vehicle_id, service_id in _unordered(vehicle_ids, depot_ids):
        services[vehicle_id].append(service_id)
    actor = Actor(person=None, channel="program", now=now)
    for vehicle_id, service_ids in services.items():
        _order(actor, vehicle_id, sorted(set(service_ids)))
    return len(services)


def _unordered(
    vehicle_ids: Collection[int] | None, depot_ids: Collection[int] | None
) -> list[tuple[int, int]]:
    """Vehicles in use and the services called for that have no open job."""
    if not bulk.has(DueEarlier, "withdrawn_at IS NULL"):  # nothing was ever called for
        return []
    open_jobs = Job.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), state=Job.State.OPEN
    )
    few = vehicle_ids if vehicle_ids is not None and len(vehicle_ids) <= FEW else None
    rows = standing(few).filter(
        ~Exists(open_jobs),
        URGENT,
        vehicle__status__in=[Vehicle.Status.IN_USE, Vehicle.Status.HIRED_IN],
    )
    if depot_ids is not None:
        rows = rows.filter(vehicle__depot__in=depot_ids)
    wanted = None if vehicle_ids is None else set(vehicle_ids)
    pairs = rows.values_list("vehicle_id", "service_id")
    return [pair for pair in pairs if wanted is None or pair[0] in wanted]


def _order(actor: Actor, vehicle_id: int, service_ids: Sequence[int]) -> WorkOrder:
    with transaction.atomic():
        order = issue.draft(
            actor,
            OrderDraft(
                vehicle_id=vehicle_id,
                service_ids=service_ids,
                planned_on=_planned_on(actor, vehicle_id, service_ids),
                reason="a re-check that must not wait",
                join_early=False,
            ),
        )
        return progress.release(actor, order.pk)


def _planned_on(actor: Actor, vehicle_id: int, service_ids: Sequence[int]) -> date:
    """Today where the earliest likely day comes by the next working day (where today is closed,
    that one), else the last working day that is not after it."""
    vehicle = Vehicle.objects.select_related("depot").get(pk=vehicle_id)
    today = today_at(vehicle.depot.zone, actor.now)
    working = gather_depots().working[vehicle.depot_id].calendar()
    first_on, next_on = (
        date.fromisoformat(str(np.busday_offset(day, 0, roll="forward", busdaycal=working)))
        for day in (today, today + timedelta(days=1))
    )
    rows = DueDate.objects.filter(vehicle=vehicle_id, service__in=service_ids, p10__isnull=False)
    first = rows.order_by("p10").first()
    if first is None or first.p10 is None or first.p10 <= next_on:
        return first_on
    return first.bring_in_by_on or first.p10
