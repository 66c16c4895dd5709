"""What waits for a supervisor on Work orders, answered one by one or many at once."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.dashboard.acts import act, back, numbers
from fleet.dashboard.frame import Scope, SignedIn, needs
from fleet.due import defer
from fleet.due.listing import days_late
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.workorders import escalate, issue, listing, progress
from fleet.workorders.glance import LATE_RECORDS, QUESTIONS, RETURNED, TO_AGREE
from fleet.workorders.issue import OrderDraft
from fleet.workorders.listing import MOST_AT_ONCE
from fleet.workorders.models import Escalation, Job, WorkOrder


def decisions(scope: Scope, person: Person, waiting: Mapping[str, int]) -> dict[str, Any]:
    """What waits for a supervisor: overdue services to answer for, jobs that came back, deferrals
    beyond the tolerance that another person asked for, and records that came after a sign-off.

    A query for each kind of which, by ``waiting``, there is any.
    """
    depots, now = scope.chosen, timezone.now()
    read: dict[str, Callable[[], QuerySet[Any]]] = {
        QUESTIONS: lambda: escalate.asked_about(depots),
        RETURNED: lambda: listing.returned_jobs(depots),
        LATE_RECORDS: lambda: listing.orders_with_late_records(depots, person),
        TO_AGREE: lambda: defer.waiting_for(person, depots),
    }
    rows = {
        kind: list(find()[:MOST_AT_ONCE]) if waiting.get(kind) else []
        for kind, find in read.items()
    }
    return {
        "questions": [(one, _order_of(one), _late_d(one, now)) for one in rows[QUESTIONS]],
        "returned": rows[RETURNED],
        "came_late": rows[LATE_RECORDS],
        "to_agree": rows[TO_AGREE],
        "to_decide": sum(map(len, rows.values())),
        "oldest": oldest(rows),
    }


@dataclass(frozen=True)
class Oldest:
    """What waits longest of all that waits."""

    row: Any
    since_on: date  # by the clock of its depot
    words: str


# since when each kind waits, at which depot, and what it is called
WAITS: dict[str, Callable[[Any], tuple[date | None, str]]] = {
    QUESTIONS: lambda one: (one.since_on, f"{one.vehicle}, {one.service.name}"),
    RETURNED: lambda job: (
        _day_of(job.ended_at, job.order.depot),
        f"{job.title} of {job.order.vehicle}, which came back",
    ),
    LATE_RECORDS: lambda order: (
        _day_of(order.late_since, order.depot), f"{order}, with records after its sign-off"
    ),
    TO_AGREE: lambda one: (
        _day_of(one.created_at, one.vehicle.depot), f"{one.vehicle}, to defer {one.service.name}"
    ),
}  # fmt: skip


def oldest(rows: Mapping[str, Sequence[Any]]) -> Oldest | None:
    """What of all kinds waits longest; None where no more than one waits, or where of a kind not
    all were read."""
    if sum(map(len, rows.values())) < 2 or any(len(own) >= MOST_AT_ONCE for own in rows.values()):
        return None
    found = [(*WAITS[kind](one), one) for kind, own in rows.items() for one in own]
    known = [Oldest(row, since_on, words) for since_on, words, row in found if since_on]
    return min(known, key=lambda one: one.since_on, default=None)


def _day_of(at: datetime | None, depot: Depot) -> date | None:
    return today_at(depot.zone, at) if at else None


@dataclass(frozen=True)
class OrderBeside:
    """The order that has an overdue service open."""

    number: str
    state: str
    planned_on: date | None


def _order_of(question: Any) -> OrderBeside | None:
    """Of several rows of the database's JSON there is one: a service is open on one order."""
    for number, state, planned_on in question.order_list or ():
        return OrderBeside(number, state, date.fromisoformat(planned_on) if planned_on else None)
    return None


def _late_d(question: Any, now: datetime) -> int | None:
    """Days since the service passed its limit, by the depot's clock."""
    since_on = question.late_since
    if since_on is None:
        return None
    return days_late(since_on, today_at(question.vehicle.depot.zone, now))


@needs(Right.DEFER)
@act("work-orders")
def answer_question(request: SignedIn, actor: Actor, question_id: int) -> str:
    """Answer for an overdue service."""
    seen = Escalation.objects.filter(vehicle__depot__in=depots_of(request.user))
    question = get_object_or_404(seen, pk=question_id)
    given, reason = request.POST.get("answer", ""), request.POST.get("reason", "")
    answered = escalate.answer(actor, question.pk, given=given, reason=reason)
    return f"{answered.vehicle}: answered “{answered.answer}”."


@needs(Right.DEFER)
@require_POST
def answer_questions(request: SignedIn) -> HttpResponse:
    """The same answer, for the same reason, for every overdue service chosen."""
    seen = Escalation.objects.filter(vehicle__depot__in=depots_of(request.user))
    chosen = numbers(request, "question", MOST_AT_ONCE)
    rows = list(seen.filter(pk__in=chosen).select_related("vehicle"))
    given, reason = request.POST.get("answer", ""), request.POST.get("reason", "")
    actor = Actor(request.user, "page", timezone.now())
    found = escalate.answer_many(actor, [row.pk for row in rows], given=given, reason=reason)
    answered = [row for row in rows if found[row.pk] is None]
    _say(request, [f"{row.vehicle}: {found[row.pk]}" for row in rows if found[row.pk]])
    if answered:
        messages.success(request, f"Answered “{given}” for {_services(len(answered))}.")
    elif not rows:
        messages.error(request, "Choose what to answer for first.")
    return _back(request)


@act("work-orders")
def settle_job(request: SignedIn, actor: Actor, job_id: int) -> str:
    """Decide about a job that came back: put it on a new order, or leave it."""
    seen = Job.objects.filter(order__depot__in=depots_of(request.user))
    job = get_object_or_404(seen.select_related("order"), pk=job_id)
    return _decided(actor, job, request.POST.get("decision", ""), request.POST.get("reason", ""))


@needs(Right.RELEASE)
@require_POST
def settle_jobs(request: SignedIn) -> HttpResponse:
    """The same decision about every job chosen that came back."""
    seen = Job.objects.filter(order__depot__in=depots_of(request.user))
    rows = list(seen.filter(pk__in=numbers(request, "job", MOST_AT_ONCE)).select_related("order"))
    decision, reason = request.POST.get("decision", ""), request.POST.get("reason", "")
    actor = Actor(request.user, "page", timezone.now())
    for job in rows:
        try:
            messages.success(request, _decided(actor, job, decision, reason))
        except Fault as fault:
            messages.warning(request, f"{job.title} of {job.order}: {fault}")
    if not rows:
        messages.error(request, "Choose what to decide about first.")
    return _back(request)


def _decided(actor: Actor, job: Job, decision: str, reason: str) -> str:
    if decision == "again":
        return f"{job.title} is on {_again(actor, job, reason)} now."
    if decision != "leave":
        raise Fault("Say whether it goes on a new order or is left.")
    progress.settle_job(actor, job.pk, reason=reason)
    return f"{job.title} of {job.order}: left as it is."


def _again(actor: Actor, job: Job, reason: str) -> WorkOrder:
    with transaction.atomic():
        progress.settle_job(actor, job.pk, reason=reason or "again on a new order")
        return issue.draft(
            actor,
            OrderDraft(
                vehicle_id=job.vehicle_id,
                service_ids=[job.service_id] if job.service_id else [],
                other_work=[] if job.service_id else [(job.title, job.minutes)],
                reason=f"again after {job.order}: {job.reason}"[:300],
            ),
        )


def _say(request: SignedIn, faults: Iterable[str]) -> None:
    for fault in faults:
        messages.warning(request, fault)


def _services(number: int) -> str:
    return f"{number} service{'s' * (number != 1)}"


def _back(request: SignedIn) -> HttpResponse:
    return back(request, "work-orders", f"{request.POST.get('query', '')[:500]}&decide=open")
