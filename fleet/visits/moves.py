"""Move a visit by hand, lock it to its day or free it: told first what it costs, then recorded.

A person's choice of day is a lock: no plan moves it again.
"""

from collections.abc import Collection
from datetime import date, timedelta

from django.db import transaction
from django.db.models import F

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import today_at
from fleet.visits.events import note
from fleet.visits.gather import FROZEN_D
from fleet.visits.models import Plan, PlannedService, Promise, Visit
from fleet.visits.other_work import move_fixed
from fleet.visits.publish import claimed
from fleet.visits.unfit import weigh_again
from fleet.visits.weigh import Weighed, orders_of, weigh
from fleet.workorders import progress
from fleet.workorders.models import WorkOrder

State = WorkOrder.State
BY_HAND = "set by hand"  # why a service is on its day


def visit_of(plan: Plan, visit_id: int) -> Visit:
    """A visit of a plan.

    Raises
    ------
    Fault
        The plan has no such visit.
    """
    visit = Visit.objects.filter(plan=plan, pk=visit_id).select_related("vehicle", "plan").first()
    if visit is None:
        raise Fault("The plan has no such visit: look at it again.")
    return visit


def move(
    actor: Actor,
    plan_id: int,
    visit_id: int,
    *,
    on: date,
    bay: str = "",
    version: int | None = None,
    released: Collection[int] = (),
) -> Weighed:
    """Put a visit on another day or in another bay, with its orders, and lock it there.

    Parameters
    ----------
    released
        Ids of released orders that may move with it; drafted ones do.

    Raises
    ------
    Stale
        The plan is not the one that was seen.
    Refused
        The work has begun, the day cannot hold it, or a released order was not named.
    """
    seen = Plan.objects.filter(pk=plan_id).first()
    if seen is None:
        raise Fault("There is no such plan.")
    actor.must(Right.RELEASE, seen.depot_id)
    weighed = weigh(visit_of(seen, visit_id), on, bay, today_at(seen.depot.zone, actor.now))
    with transaction.atomic():
        plan = claimed(actor, plan_id, seen.version if version is None else version)
        visit = visit_of(plan, visit_id)
        _move_orders(actor, visit, on, released)
        _end_promise(actor, visit, on)
        _place(visit, weighed)
        changed = 0 if visit.held else weighed.cost_minor or 0
        _changed(actor, plan, visit, "moved", changed, to_on=on, detail=weighed.bay)
        weigh_again(plan, today_at(plan.depot.zone, actor.now))
    return weighed


def lock(actor: Actor, plan_id: int, visit_id: int, *, version: int | None = None) -> Visit:
    """Keep a visit on its day: no plan moves it. A visit that is locked stays as it is."""
    with transaction.atomic():
        plan = claimed(actor, plan_id, version)
        visit = visit_of(plan, visit_id)
        if not visit.locked:
            Visit.objects.filter(pk=visit.pk).update(locked=True)
            visit.services.update(held=True)
            _changed(actor, plan, visit, "locked")
    visit.refresh_from_db()
    return visit


def unlock(actor: Actor, plan_id: int, visit_id: int, *, version: int | None = None) -> Visit:
    """Leave the day of a visit to the plan again; drafted orders lose the day they had.

    Raises
    ------
    Refused
        It was promised, or an order of it is released or begun.
    """
    with transaction.atomic():
        plan = claimed(actor, plan_id, version)
        visit = visit_of(plan, visit_id)
        stands = Promise.objects.filter(vehicle=visit.vehicle, on=visit.on, ending="").first()
        if stands is not None:
            raise Refused(f"This day is promised to {stands.told_to}: move the visit instead.")
        orders = orders_of(visit)
        for order in orders:
            if order.state != State.DRAFTED:
                raise Refused(f"{order} is {order.state}: its day stands.")
        for order in orders:
            progress.plan(actor, order.pk, planned_on=None)
        if visit.locked or visit.held or orders:
            Visit.objects.filter(pk=visit.pk).update(locked=False, held=False)
            visit.services.update(held=False)
            _changed(actor, plan, visit, "unlocked")
    visit.refresh_from_db()
    return visit


def _move_orders(actor: Actor, visit: Visit, on: date, released: Collection[int]) -> None:
    for order in orders_of(visit):
        if order.state == State.RELEASED and order.pk not in released:
            raise Refused(f"{order} is released: it is moved only when named.", about="released")
        if order.planned_on != on:
            progress.plan(actor, order.pk, planned_on=on)


def _end_promise(actor: Actor, visit: Visit, on: date) -> None:
    if on == visit.on:
        return
    today = today_at(visit.plan.depot.zone, actor.now)
    near = visit.on < today + timedelta(days=FROZEN_D)
    Promise.objects.filter(vehicle=visit.vehicle, on=visit.on, ending="").update(
        ending=Promise.Ending.BROKEN if near else Promise.Ending.MOVED,
        reason=f"moved to {on} by hand",
        ended_at=actor.at,
    )


def _place(visit: Visit, weighed: Weighed) -> None:
    """Store where a visit stands now; two of a vehicle on one day become one."""
    other = Visit.objects.filter(plan=visit.plan, vehicle=visit.vehicle, on=weighed.on)
    joined = other.exclude(pk=visit.pk).first()
    for key, told in weighed.of_each.items():
        of = {"service": key} if key > 0 else {"work": -key}
        PlannedService.objects.filter(visit=visit, **of).update(
            reason=BY_HAND, planned_because="", **told
        )
    move_fixed(visit, weighed.on)
    PlannedService.objects.filter(visit=visit).update(held=True)
    if joined is not None:
        PlannedService.objects.filter(visit=visit).update(visit=joined)
        Visit.objects.filter(pk=visit.pk).delete()
    Visit.objects.filter(pk=joined.pk if joined else visit.pk).update(
        on=weighed.on,
        bay=weighed.bay,
        mechanic=weighed.mechanic,
        minutes=weighed.minutes,
        work_min=weighed.work_min,
        locked=True,
    )


def _changed(
    actor: Actor,
    plan: Plan,
    visit: Visit,
    what: str,
    cost_minor: int = 0,
    *,
    to_on: date | None = None,
    detail: str = "",
) -> None:
    """One row of history, and another version of the plan."""
    Plan.objects.filter(pk=plan.pk).update(
        version=F("version") + 1, cost_minor=F("cost_minor") + cost_minor
    )
    note(actor, plan.depot_id, what, vehicle_id=visit.vehicle_id, from_on=visit.on,
         to_on=to_on, detail=detail)  # fmt: skip
