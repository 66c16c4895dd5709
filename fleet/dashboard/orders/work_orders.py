"""Work orders: what is open, what waits for a decision, and releasing many at once."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.acts import act
from fleet.dashboard.frame import Scope, SignedIn, needs, scope_of, show, vehicle_seen_by
from fleet.dashboard.orders.changes import mechanic, read_day
from fleet.dashboard.orders.drafting import chosen_rows, drafted_words
from fleet.dashboard.orders.lines import (
    NO_DAY,
    OrderFilters,
    listed,
    months_back,
    order_key,
    order_lines,
    order_seen_by,
    read_order_after,
    read_order_filters,
)
from fleet.dashboard.views.vehicle import refused
from fleet.due import defer
from fleet.due.listing import due_rows
from fleet.due.models import Service
from fleet.faults import Fault
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may, mechanics_of
from fleet.today import oldest_day, today_at
from fleet.workorders import escalate, evidence, issue, listing, progress
from fleet.workorders.actor import Actor
from fleet.workorders.draft_many import draft_many
from fleet.workorders.listing import MOST_AT_ONCE
from fleet.workorders.models import Escalation, Job, WorkOrder

PAGE_ROWS = 40
DECISIONS_SHOWN = 12
MONTHS_SHOWN = 6


@dataclass(frozen=True)
class StateChoice:
    state: str
    count: int | None
    chosen: bool
    query: str


@require_GET
def work_orders(request: SignedIn) -> HttpResponse:
    scope, filters, now = scope_of(request), read_order_filters(request.GET), timezone.now()
    days = {depot.pk: today_at(depot.zone, now) for depot in scope.chosen}
    after = read_order_after(request.GET.get("after", ""))
    lines = order_lines(listed(scope.chosen, filters, after)[: PAGE_ROWS + 1], days, needed_by=True)
    today = oldest_day([depot.zone for depot in scope.chosen], now)
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
        "mechanics": mechanics_of(days) if releases else [],
        "week": listing.weeks_drafts(scope.chosen, today) if releases else [],
        "months": evidence.on_time(list(days), months_back(today, MONTHS_SHOWN - 1), today),
        "overdue": due_rows(depots=scope.slugs, states=["overdue"], now=now),
        **_decisions(scope, request.user),
    }
    return show(request, "work-orders", scope, context)


def _choices(scope: Scope, filters: OrderFilters) -> list[StateChoice]:
    return [
        StateChoice(state, count, state in filters.states, filters.toggled(state).query)
        for state, count in listing.state_counts(scope.chosen).items()
    ]


def _decisions(scope: Scope, person: Person) -> dict[str, Any]:
    """What waits for a supervisor: overdue services to answer for, jobs that came back, deferrals
    beyond the tolerance that another person asked for, and records that came after a sign-off."""
    questions = list(escalate.open_questions(scope.chosen)[: DECISIONS_SHOWN + 1])
    jobs = listing.open_jobs([one.vehicle_id for one in questions]).select_related("order")
    orders = {(job.vehicle_id, job.service_id): job.order for job in jobs}
    returned = listing.returned_jobs(scope.chosen)[: DECISIONS_SHOWN + 1]
    return {
        "questions": [
            (one, orders.get((one.vehicle_id, one.service_id)))
            for one in questions[:DECISIONS_SHOWN]
        ],
        "more_questions": len(questions) > DECISIONS_SHOWN,
        "returned": list(returned)[:DECISIONS_SHOWN],
        "more_returned": len(returned) > DECISIONS_SHOWN,
        "came_late": listing.orders_with_late_records(scope.chosen, person)[:DECISIONS_SHOWN],
        "to_agree": defer.waiting_for(person, scope.chosen)[:DECISIONS_SHOWN],
    }


@needs(Right.RELEASE)
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


def _not_drafted(request: SignedIn, fault: Fault) -> HttpResponse:
    return refused(request, vehicle_seen_by(request.user, request.POST.get("vehicle", "")), fault)


@needs(Right.RELEASE)
@act("work-orders", refused=_not_drafted)
def draft_order(request: SignedIn, actor: Actor) -> HttpResponse:
    """Draft an order: services chosen, what is in its early window beside them, other work."""
    vehicle = vehicle_seen_by(request.user, request.POST.get("vehicle", ""))
    slugs = request.POST.getlist("service")
    services = Service.objects.filter(vehicle_type=vehicle.vehicle_type_id, slug__in=slugs)
    other = request.POST.get("other_work", "").strip()
    order = issue.draft(
        actor,
        vehicle_id=vehicle.pk,
        service_ids=list(services.values_list("pk", flat=True)),
        other_work=[(other[:120], 0)] if other else [],
        planned_on=read_day(request.POST),
        reason=request.POST.get("reason", "").strip()[:300],
    )
    titles = ", ".join(order.jobs.values_list("title", flat=True))
    messages.success(request, f"{order} is drafted for {vehicle}: {titles}.")
    return redirect("work-order", order.number)


@needs(Right.RELEASE)
@require_POST
def draft_orders(request: SignedIn) -> HttpResponse:
    """Draft orders for the chosen rows of Due, one per vehicle."""
    chosen = request.POST.getlist("row")[:MOST_AT_ONCE]
    actor, rows = Actor(request.user, "page", timezone.now()), chosen_rows(request.user, chosen)
    found = draft_many(actor, rows, join_early="join_early" in request.POST)
    if not chosen:
        messages.error(request, "Choose rows first, then draft orders for them.")
    elif not found:
        messages.error(request, "None of the chosen rows is there any more. Load the page again.")
    for level, said in drafted_words(found):
        messages.add_message(request, level, said)
    return redirect(f"{reverse('due')}?{request.POST.get('query', '')[:500]}")


@needs(Right.DEFER)
@act("work-orders")
def answer_question(request: SignedIn, actor: Actor, question_id: int) -> str:
    """Answer for an overdue service."""
    seen = Escalation.objects.filter(vehicle__depot__in=depots_of(request.user))
    question = get_object_or_404(seen, pk=question_id)
    given, reason = request.POST.get("answer", ""), request.POST.get("reason", "")
    answered = escalate.answer(actor, question.pk, given=given, reason=reason)
    return f"{answered.vehicle}: answered “{answered.answer}”."


@act("work-orders")
def settle_job(request: SignedIn, actor: Actor, job_id: int) -> str:
    """Decide about a job that came back: put it on a new order, or leave it."""
    seen = Job.objects.filter(order__depot__in=depots_of(request.user))
    job = get_object_or_404(seen.select_related("order"), pk=job_id)
    reason = request.POST.get("reason", "")
    if request.POST.get("decision") == "again":
        return f"{job.title} is on {_again(actor, job, reason)} now."
    progress.settle_job(actor, job.pk, reason=reason)
    return f"{job.title} of {job.order}: left as it is."


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
