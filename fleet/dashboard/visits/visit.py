"""One visit of a plan: why it is on its day, what another day would cost, and changing it."""

from dataclasses import replace
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, needs, scope_of, show
from fleet.dashboard.orders.changes import read_date
from fleet.dashboard.visits import lines
from fleet.dashboard.visits.workshop_days import days_of
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.today import today_at
from fleet.visits import moves, promises
from fleet.visits.also import beside
from fleet.visits.board import block_of
from fleet.visits.listing import bays_of, labour_of, visits_in_force
from fleet.visits.minutes import minutes_of
from fleet.visits.models import Visit, Workshop
from fleet.visits.weigh import Weighed, orders_of, weigh
from fleet.workorders.models import WorkOrder


@require_GET
def visit(request: SignedIn, visit_id: int) -> HttpResponse:
    """Show a visit; with a day (and a bay) asked for, what that would cost."""
    return _page(request, _visit(request, visit_id))


def _visit(request: SignedIn, visit_id: int) -> Visit:
    found = visits_in_force(depots_of(request.user)).filter(pk=visit_id).first()
    if found is None:
        raise Http404
    return found


def _page(request: SignedIn, one: Visit, status: int = 200) -> HttpResponse:
    depot = one.plan.depot
    today = today_at(depot.zone, timezone.now())
    block = block_of(one, today)
    minutes = labour_of(one.plan, block.services)
    visit_minor = Workshop.of(depot).visit_minor
    asked, bay = request.GET.get("on", ""), request.GET.get("bay", "")
    weighed, fault = _weighed(one, asked, bay, today) if asked else (None, "")
    context: dict[str, Any] = {
        "it": block,
        "one": one,
        "depot_of_it": depot,
        "back": days_of(depot),
        "may_act": may(request.user, Right.RELEASE, depot),
        "why": [
            (row, lines.why(row, visit_minor), lines.days_late(row.late_d), minutes[row.pk])
            for row in block.services
        ],
        "time": minutes_of(one, [minutes[row.pk] for row in block.services]),
        "also": beside(one, today),
        "bays": bays_of(depot),
        "asked_on": asked or one.on.isoformat(),
        "asked_bay": bay,
        "weighed": weighed,
        "difference": lines.difference(weighed.cost_minor) if weighed else "",
        "fault": fault,
    }
    return show(request, "visit", replace(scope_of(request), depot=depot.slug), context, status)


def _weighed(one: Visit, asked: str, bay: str, today: date) -> tuple[Weighed | None, str]:
    try:
        on = date.fromisoformat(asked)
    except ValueError:
        return None, f"“{asked[:40]}” is not a date: write it as 2026-03-31."
    try:
        return weigh(one, on, bay, today), ""
    except Fault as fault:
        return None, str(fault)


def _refused(request: SignedIn, fault: Fault, visit_id: int) -> HttpResponse:
    """The same page again, with why nothing was changed; what is gone leads to the plan."""
    messages.error(request, str(fault))
    found = visits_in_force(depots_of(request.user)).filter(pk=visit_id).first()
    return redirect("visit", visit_id) if found else redirect("workshop-days")


@needs(Right.RELEASE)
@act("workshop-days", refused=_refused)
def change_visit(request: SignedIn, actor: Actor, visit_id: int) -> HttpResponse:
    """Move, lock, open or promise a visit, at the version of the plan that the page showed."""
    one = _visit(request, visit_id)
    given, plan_id, version = request.POST, one.plan_id, request.POST.get("version", "")
    if not version.isdecimal():
        raise Fault("Load the page again: this form is not complete.")
    seen = int(version[:9])
    match given.get("change", ""):
        case "move":
            said = _move(request, actor, one, seen)
        case "lock":
            moves.lock(actor, plan_id, one.pk, version=seen)
            said = f"{one.vehicle} stays on its day."
        case "unlock":
            moves.unlock(actor, plan_id, one.pk, version=seen)
            said = f"The day of {one.vehicle} is the plan's to choose again."
        case "promise":
            promises.promise(actor, plan_id, one.pk, told_to=given.get("told_to", ""), version=seen)
            said = f"{one.vehicle}: the day is promised, and locked."
        case _:
            raise Fault("Load the page again: this form is not complete.")
    messages.success(request, said)
    return redirect(days_of(one.plan.depot))


def _move(request: SignedIn, actor: Actor, one: Visit, seen: int) -> str:
    on = read_date(request.POST, "on")
    if on is None:
        raise Fault("Choose a day.", about="on")
    named = request.POST.getlist("released")
    found = moves.move(
        actor,
        one.plan_id,
        one.pk,
        on=on,
        bay=request.POST.get("bay", ""),
        version=seen,
        released=[
            order.pk
            for order in orders_of(one)
            if order.state == WorkOrder.State.RELEASED and order.number in named
        ],
    )
    return lines.moved_to(found.vehicle, found.on, found.bay)
