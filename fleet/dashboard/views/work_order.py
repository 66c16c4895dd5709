"""Work order: one order, its history and records, and what may be done with it now."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.order_changes import (
    FITNESS,
    in_doubt,
    make,
    odometer_words,
    open_to,
)
from fleet.dashboard.order_lines import order_seen_by
from fleet.dashboard.records import kept
from fleet.dashboard.views.order_papers import substitutes_of
from fleet.faults import Fault, Forbidden
from fleet.people.models import Person, Role
from fleet.people.roles import Right, may
from fleet.stores.models import Product
from fleet.workorders import findings, papers
from fleet.workorders.actor import Actor
from fleet.workorders.downtime import downtime
from fleet.workorders.models import Job, Raising, WorkOrder
from fleet.workorders.recording import OPEN_FOR_RECORDS

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
        "papers": papers.kept(order),
        "cost": "" if order.cost_minor is None else f"{order.cost_minor / 100:,.2f}",
        "question": odometer_words(order) if in_doubt(order) else "",
        **_rights(request.user, order),
        **_substitutes(request.user, order),
        "do_not_use": findings.in_force([order.vehicle_id]).get(order.vehicle_id, ""),
        "mechanics": mechanics(order.depot_id),
        "raisings": Raising.values,
        "reasons": Job.Reason.values,
        "fitness": FITNESS,
    }
    with timezone.override(order.depot.zone):
        return show(request, "work-order", scope_of(request), {**facts, **context}, status)


def _rights(person: Person, order: WorkOrder) -> dict[str, bool]:
    outside = order.where == WorkOrder.Where.OUTSIDE and order.state in papers.ENTERED
    records = may(person, Right.RECORD_WORK, order.depot_id)
    return {
        "may_settle": may(person, Right.SETTLE_READINGS, order.depot_id),
        "may_withdraw": records and order.state in OPEN_FOR_RECORDS,
        "may_add_papers": outside and may(person, Right.RELEASE, order.depot_id),
    }


def _substitutes(person: Person, order: WorkOrder) -> dict[str, Any]:
    """Leaves to use another product, and who may give one: offered while there is work to do."""
    jobs = order.jobs.exclude(service=None).filter(state=Job.State.OPEN)
    approves = may(person, Right.APPROVE_SUBSTITUTE, order.depot_id)
    offered = jobs.select_related("service__compartment") if approves else jobs.none()
    return {
        "substitutes": substitutes_of(order),
        "may_approve": approves,
        "jobs_for_substitutes": offered,
        "products": Product.objects.order_by("name") if approves else [],
    }


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
