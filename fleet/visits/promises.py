"""Days on which somebody was told that a vehicle comes in, and how that ended."""

from datetime import date, datetime, timedelta

from django.db import transaction

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits.gather import FROZEN_D
from fleet.visits.models import Plan, Promise, Visit
from fleet.visits.moves import lock, visit_of
from fleet.workorders.models import WorkOrder

Ending = Promise.Ending


def promise(
    actor: Actor, plan_id: int, visit_id: int, *, told_to: str, version: int | None = None
) -> Promise:
    """Note that somebody was told the day of a visit; the day is locked with it.

    Raises
    ------
    Fault
        Nobody is named, or there is no such visit.
    Refused
        The day is promised already.
    """
    if not told_to.strip():
        raise Fault("Say who was told.", about="told_to")
    with transaction.atomic():
        lock(actor, plan_id, visit_id, version=version)
        visit = visit_of(Plan.objects.get(pk=plan_id), visit_id)
        stands = Promise.objects.filter(vehicle=visit.vehicle, on=visit.on, ending="").first()
        if stands is not None:
            raise Refused(f"This day was promised to {stands.told_to} already.")
        return Promise.objects.create(
            vehicle=visit.vehicle,
            depot_id=visit.plan.depot_id,
            on=visit.on,
            told_to=told_to.strip()[:120],
            told_by=actor.person,
            told_at=actor.at,
        )


def settle(depot: Depot, today: date, now: datetime) -> None:
    """End what is decided by today: days that are past, and visits that are no more."""
    for one in Promise.objects.filter(depot=depot, ending="").select_related("vehicle"):
        if one.on < today:
            _end_past(one, depot, now)
        elif gone := _gone(one, depot):
            broken = one.on < today + timedelta(days=FROZEN_D)
            _end(one, Ending.BROKEN if broken else Ending.MOVED, gone, now)


def _end_past(one: Promise, depot: Depot, now: datetime) -> None:
    began = WorkOrder.objects.filter(vehicle=one.vehicle, depot=depot, started_at__isnull=False)
    days = {today_at(depot.zone, at) for (at,) in began.values_list("started_at") if at}
    if one.on in days:
        _end(one, Ending.KEPT, "", now)
    else:
        _end(one, Ending.BROKEN, "the work had not begun on that day", now)


def _gone(one: Promise, depot: Depot) -> str:
    """Why a vehicle no longer comes on a day that is to come; empty: it does."""
    van = one.vehicle
    if van.depot_id != depot.pk:
        return "the vehicle went to another depot"
    if van.status not in (van.Status.IN_USE, van.Status.HIRED_IN):
        return f"the vehicle is {van.status}"
    ordered = WorkOrder.objects.filter(
        vehicle=van, planned_on=one.on, state__in=WorkOrder.OPEN
    ).exists()
    newest = Plan.objects.filter(depot=depot).order_by("-id").first()
    planned = Visit.objects.filter(plan=newest, vehicle=van, on=one.on).exists()
    return "" if ordered or planned else "nothing is left to be done on that day"


def _end(one: Promise, ending: str, reason: str, now: datetime) -> None:
    """End a promise once; how it ended is not changed later."""
    Promise.objects.filter(pk=one.pk, ending="").update(ending=ending, reason=reason, ended_at=now)
