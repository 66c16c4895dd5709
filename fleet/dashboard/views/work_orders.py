"""Work orders: what is open, what waits for a decision, and releasing many at once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import Scope, SignedIn, scope_of, show, vehicle_seen_by
from fleet.dashboard.order_changes import mechanic, read_day
from fleet.dashboard.order_lines import (
    MOST_AT_ONCE,
    NO_DAY,
    OrderFilters,
    listed,
    months_back,
    order_key,
    order_lines,
    order_seen_by,
    read_order_after,
    read_order_filters,
    state_counts,
    weeks_drafts,
)
from fleet.dashboard.views.work_order import mechanics
from fleet.due.listing import today_at
from fleet.due.models import Deferral, Service
from fleet.faults import Fault, Forbidden
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may
from fleet.workorders import escalate, evidence, issue, progress
from fleet.workorders.actor import Actor
from fleet.workorders.models import Escalation, Job, WorkOrder

PAGE_ROWS = 40
DECISIONS_SHOWN = 12
MONTHS_SHOWN = 6
Stage = Escalation.Stage


@dataclass(frozen=True)
class StateChoice:
    state: str
    count: int | None
    chosen: bool
    query: str


@require_GET
def work_orders(request: SignedIn) -> HttpResponse:
    scope, filters, now = scope_of(request), read_order_filters(request.GET), timezone.now()
    chosen = [depot for depot in scope.depots if depot.slug in scope.slugs]
    days = {depot.pk: today_at(depot.zone, now) for depot in chosen}
    after = read_order_after(request.GET.get("after", ""))
    lines = order_lines(listed(scope.slugs, filters, after)[: PAGE_ROWS + 1], days, needed_by=True)
    today = min(days.values(), default=now.date())
    releases = may(request.user, Right.RELEASE)
    context = {
        "lines": lines[:PAGE_ROWS],
        "more": order_key(lines[PAGE_ROWS - 1]) if len(lines) > PAGE_ROWS else "",
        "filters": filters,
        "states": _choices(scope, filters),
        "today": today,
        "no_day": NO_DAY,
        "may_release": releases,
        "may_answer": may(request.user, Right.DEFER),
        "mechanics": mechanics(*days) if releases else [],
        "week": weeks_drafts(scope.slugs, today) if releases else [],
        "months": evidence.on_time(list(days), months_back(today, MONTHS_SHOWN - 1), today),
        **_decisions(scope, request.user),
    }
    return show(request, "work-orders", scope, context)


def _choices(scope: Scope, filters: OrderFilters) -> list[StateChoice]:
    return [
        StateChoice(state, count, state in filters.states, filters.toggled(state).query)
        for state, count in state_counts(scope.slugs).items()
    ]


def _decisions(scope: Scope, person: Person) -> dict[str, Any]:
    """What waits for a supervisor: overdue services to answer for, jobs that came back, and
    deferrals beyond the tolerance that another person asked for."""
    questions = list(open_questions(scope.slugs)[: DECISIONS_SHOWN + 1])
    orders = _orders_of(questions)
    returned = returned_jobs(scope.slugs)[: DECISIONS_SHOWN + 1]
    return {
        "questions": [
            (one, orders.get((one.vehicle_id, one.service_id)))
            for one in questions[:DECISIONS_SHOWN]
        ],
        "more_questions": len(questions) > DECISIONS_SHOWN,
        "returned": list(returned)[:DECISIONS_SHOWN],
        "more_returned": len(returned) > DECISIONS_SHOWN,
        "to_agree": waiting_deferrals(scope.slugs, person)[:DECISIONS_SHOWN],
    }


def open_questions(slugs: list[str]) -> QuerySet[Escalation]:
    """Overdue services nobody has answered for, each at its furthest stage, most pressing first."""
    further = Escalation.objects.filter(
        vehicle=OuterRef("vehicle"), service=OuterRef("service"), closed_on=None
    )
    told = Q(Exists(further.exclude(stage=Stage.SUPERVISOR)), stage=Stage.SUPERVISOR)
    asked = Q(Exists(further.filter(stage=Stage.USE_OR_STAND_DOWN)), stage=Stage.DEPUTY_AND_MANAGER)
    rows = Escalation.objects.filter(
        ~told, ~asked, vehicle__depot__slug__in=slugs, closed_on=None, answer=""
    )
    # "use or stand down" sorts last of the three by name, and presses most
    return rows.select_related("vehicle", "service").order_by("-stage", "since_on", "pk")


def _orders_of(questions: Sequence[Escalation]) -> dict[tuple[int, int], WorkOrder]:
    """Open orders that have these services, by vehicle and service."""
    jobs = Job.objects.filter(
        vehicle__in=[one.vehicle_id for one in questions], state=Job.State.OPEN
    ).exclude(service=None)
    return {
        (job.vehicle_id, job.service_id or 0): job.order for job in jobs.select_related("order")
    }


def waiting_deferrals(slugs: list[str], person: Person) -> QuerySet[Deferral]:
    """Deferrals beyond the tolerance that wait for a second person, who is not the first."""
    rows = Deferral.objects.filter(
        vehicle__depot__slug__in=slugs,
        beyond_tolerance=True,
        second_person=None,
        withdrawn_at=None,
    ).exclude(person=person)
    return rows.select_related("vehicle", "service", "person").order_by("created_at")


def returned_jobs(slugs: list[str]) -> QuerySet[Job]:
    rows = Job.objects.filter(returned=True, order__depot__slug__in=slugs)
    return rows.select_related("order__vehicle", "ended_by", "service").order_by("ended_at", "pk")


@require_POST
def release_orders(request: SignedIn) -> HttpResponse:
    """Release the chosen orders, each planned and given to a mechanic first where that is said."""
    chosen = request.POST.getlist("order")[:MOST_AT_ONCE]
    actor = Actor(request.user, "page", timezone.now())
    released = 0
    for one in chosen:
        number, _, version = one.partition(":")
        try:
            _release(request, actor, number, int(version) if version.isdecimal() else None)
        except Fault as fault:
            messages.warning(request, str(fault))
        else:
            released += 1
    if released:
        messages.success(request, f"Released {released} order{'s' * (released != 1)}.")
    elif not chosen:
        messages.error(request, "Choose orders first, then release them.")
    return redirect(f"{reverse('work-orders')}?{request.POST.get('query', '')[:500]}")


def _release(request: SignedIn, actor: Actor, number: str, version: int | None) -> None:
    order = order_seen_by(request.user, number)
    planned_on = read_day(request.POST)
    person = mechanic(request.POST, order.depot_id)
    with transaction.atomic():
        version = progress.release(actor, order.pk, version=version).version
        if planned_on is not None:
            version = progress.plan(actor, order.pk, planned_on=planned_on, version=version).version
        if person is not None:
            progress.assign(actor, order.pk, person=person, version=version)


@require_POST
def draft_order(request: SignedIn) -> HttpResponse:
    """Draft an order: services chosen, what is in its early window beside them, other work."""
    vehicle = vehicle_seen_by(request.user, request.POST.get("vehicle", ""))
    slugs = request.POST.getlist("service")
    services = Service.objects.filter(vehicle_type=vehicle.vehicle_type_id, slug__in=slugs)
    other = request.POST.get("other_work", "").strip()
    try:
        order = issue.draft(
            Actor(request.user, "page", timezone.now()),
            vehicle_id=vehicle.pk,
            service_ids=list(services.values_list("pk", flat=True)),
            other_work=[(other[:120], 0)] if other else [],
            planned_on=read_day(request.POST),
            reason=request.POST.get("reason", "").strip()[:300],
        )
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect("vehicle", vehicle.fleet_number)
    titles = ", ".join(order.jobs.values_list("title", flat=True))
    messages.success(request, f"{order} is drafted for {vehicle}: {titles}.")
    return redirect("work-order", order.number)


@require_POST
def answer_question(request: SignedIn, question_id: int) -> HttpResponse:
    """Answer for an overdue service."""
    seen = Escalation.objects.filter(vehicle__depot__in=depots_of(request.user))
    question = get_object_or_404(seen, pk=question_id)
    try:
        answered = escalate.answer(
            Actor(request.user, "page", timezone.now()),
            question.pk,
            given=request.POST.get("answer", ""),
            reason=request.POST.get("reason", ""),
        )
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    else:
        messages.success(request, f"{answered.vehicle}: answered “{answered.answer}”.")
    return redirect("work-orders")


@require_POST
def settle_job(request: SignedIn, job_id: int) -> HttpResponse:
    """Decide about a job that came back: put it on a new order, or leave it."""
    seen = Job.objects.filter(order__depot__in=depots_of(request.user))
    job = get_object_or_404(seen.select_related("order"), pk=job_id)
    actor, reason = Actor(request.user, "page", timezone.now()), request.POST.get("reason", "")
    try:
        if request.POST.get("decision") == "again":
            order = _again(actor, job, reason)
            messages.success(request, f"{job.title} is on {order} now.")
        else:
            progress.settle_job(actor, job.pk, reason=reason)
            messages.success(request, f"{job.title} of {job.order}: left as it is.")
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    except Fault as fault:
        messages.error(request, str(fault))
    return redirect("work-orders")


def _again(actor: Actor, job: Job, reason: str) -> WorkOrder:
    with transaction.atomic():
        progress.settle_job(actor, job.pk, reason=reason or "again on a new order")
        return issue.draft(
            actor,
            vehicle_id=job.vehicle_id,
            service_ids=[job.service_id] if job.service_id else [],
            other_work=[] if job.service_id else [(job.title, job.minutes)],
            reason=f"again after {job.order}: {job.reason}"[:300],
        )
