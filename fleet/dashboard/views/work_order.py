"""Work order: one order, its history and records, and what may be done with it now."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.order_changes import FITNESS, downtime, make, open_to
from fleet.dashboard.order_lines import order_seen_by
from fleet.dashboard.records import kept
from fleet.faults import Fault, Forbidden
from fleet.people.models import Person, Role
from fleet.workorders import findings
from fleet.workorders.actor import Actor
from fleet.workorders.models import Job, Raising, WorkOrder

REFUSED_STATUS = 422


@require_GET
def work_order(request: SignedIn, number: str) -> HttpResponse:
    return _page(request, order_seen_by(request.user, number), {})


def _page(
    request: SignedIn, order: WorkOrder, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    facts = {
        "order": order,
        "jobs": order.jobs.select_related("ended_by", "service"),
        "events": order.events.select_related("person", "job"),
        "records": kept(order),
        "photos": order.photos.filter(withdrawn_by=None),
        "open_to": open_to(request.user, order),
        "downtime": downtime(order, timezone.now()),
        "do_not_use": findings.in_force([order.vehicle_id]).get(order.vehicle_id, ""),
        "mechanics": mechanics(order.depot_id),
        "raisings": Raising.values,
        "reasons": Job.Reason.values,
        "fitness": FITNESS,
    }
    with timezone.override(order.depot.zone):
        return show(request, "work-order", scope_of(request), {**facts, **context}, status)


def mechanics(*depot_ids: int) -> list[Person]:
    """Who does the work at some depots."""
    found = Person.objects.filter(
        depots__in=depot_ids, role__in=[Role.MECHANIC, Role.SUPERVISOR], is_active=True
    )
    return list(found.distinct().order_by("role", "username"))


@require_POST
def change_order(request: SignedIn, number: str) -> HttpResponse:
    """Make one change; back to the page that asked for it."""
    order = order_seen_by(request.user, number)
    actor = Actor(request.user, "page", timezone.now())
    try:
        said = make(actor, order, request.POST)
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    else:
        level = messages.WARNING if said.doubtful else messages.SUCCESS
        messages.add_message(request, level, said.text)
    page = "job-card" if request.POST.get("page") == "job-card" else "work-order"
    return redirect(page, order.number)
