"""Work order: one order, its history and records, and what may be done with it now."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet import reads
from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, asked_about, scope_of, show
from fleet.dashboard.orders import odometer
from fleet.dashboard.orders.changes import (
    FITNESS,
    answers_of,
    make,
    open_to,
)
from fleet.dashboard.orders.job_card import page as card_page
from fleet.dashboard.orders.kept import kept
from fleet.dashboard.orders.lines import order_seen_by
from fleet.dashboard.typed import filled_again, shown_again
from fleet.dashboard.whole_numbers import whole_number
from fleet.due.listing import DueFilter, due_rows
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may, mechanics_at
from fleet.reads import Asked, Read, Rows, prepared
from fleet.today import today_at
from fleet.trials.blind import orders_shown
from fleet.visits.also import beside_order
from fleet.visits.early import early_of_orders
from fleet.workorders import (
    findings,
    fluids_in,
    in_stock,
    issue,
    listing,
    papers,
    progress,
    restrictions,
)
from fleet.workorders.downtime import downtime
from fleet.workorders.elsewhere import due_elsewhere
from fleet.workorders.gaps import gaps_of
from fleet.workorders.models import Job, OrderEvent, Raising, WorkOrder
from fleet.workorders.recording import OPEN_FOR_RECORDS

# forms of the card that a fault is shown at, and their fields where it is shown instead
SHOWN_AT = ("finish", "end-job", "wait", "raise-by")
ASKED_HERE = ("release", "plan")  # on the page of the order; other questions on its card
FIELDS = {"finish": ("odometer", "engine_hours", "fit_for_use", "restriction")}


@require_GET
def work_order(request: SignedIn, number: str) -> HttpResponse:
    return _page(request, order_seen_by(request.user, number), {})


def _page(
    request: SignedIn, order: WorkOrder, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    now = timezone.now()
    orders_shown(request.user, [order.pk], "the work order", now)
    may_now, to_do = open_to(request.user, order), listing.services_to_do(order.pk)
    stand = restrictions.standing([order.vehicle_id])
    jobs, events = _jobs(order.pk), _events(order.pk)
    mechanics, vehicle_id = mechanics_at([order.depot_id]), order.vehicle_id
    odo, why, recorded, gaps, substitutes, stopped, free, also, other, early, *_ = reads.together(
        odometer.facts.steps(order, may_now),
        _why(order, to_do),
        kept.steps(order),
        gaps_of.steps(order),
        _substitutes(request.user, order, to_do),
        findings.in_force.steps([vehicle_id]),
        issue.services_without_open_job.steps(order.vehicle),
        beside_order.steps(order, now),
        due_elsewhere.steps([order], depots_of(request.user)),
        early_of_orders.steps([order]),
        *(stand, jobs, events, mechanics),
    )
    facts = {
        "order": order,
        **odo,
        "restrictions": stand,
        "jobs": jobs,
        **why,
        "events": events,
        "records": recorded.by_place,
        "photos": recorded.photos.own,
        "open_to": may_now,
        "downtime": downtime(order, now),
        "papers": papers.kept(order),
        "photos_of": recorded.photos.by_finding,
        "gaps": gaps,
        "cost": "" if order.cost_minor is None else f"{order.cost_minor / 100:,.2f}",
        **_rights(request.user, order),
        **substitutes,
        "do_not_use": stopped.get(vehicle_id, ""),
        "mechanics": mechanics,
        "services_free": free,
        "raisings": Raising.values,
        "reasons": Job.Reason.values,
        "fitness": FITNESS,
        "answers": restrictions.ANSWERS,
        "also": also,
        "elsewhere": other.get(order.pk),
        "early": early.get(order.pk),
    }
    with timezone.override(order.depot.zone):
        return show(request, "work-order", scope_of(request), {**facts, **context}, status)


@prepared
def _jobs(order_id: int) -> Rows:
    return Job.objects.filter(order=order_id).select_related("ended_by", "service")


@prepared
def _events(order_id: int) -> Rows:
    return OrderEvent.objects.filter(order=order_id).select_related("person", "job", "assigned_to")


def _why(order: WorkOrder, to_do: Asked) -> Read[dict[str, Any]]:
    """Why the order stands: when each of its services falls due, by when the vehicle is to come
    in, and whether what it takes is on the shelf; asked while there is work to do."""
    if order.state not in progress.BEFORE_THE_END:
        return {}
    today = today_at(order.depot.zone)
    at = {order.vehicle.depot_id: today_at(order.vehicle.depot.zone)}
    own = order.where == WorkOrder.Where.OWN
    rows, _, *stock = yield from reads.side_by_side(
        due_rows.steps(DueFilter(depots=at, vehicle=order.vehicle.fleet_number)),
        to_do,
        *([in_stock.needed.steps(order)] if own else []),
    )
    takes = stock[0] if stock else []
    wanted = {job.service_id for job in to_do}
    due = {row.service_id: row for row in rows if row.service_id in wanted}
    return {
        "due": due,
        "bring_in_by": min(
            (row.bring_in_by for row in due.values() if row.bring_in_by), default=None
        ),
        "order_today": today,
        "needed": takes,
        "too_little": [one for one in takes if one.too_little],
    }


def _rights(person: Person, order: WorkOrder) -> dict[str, bool]:
    outside = order.where == WorkOrder.Where.OUTSIDE and order.state in papers.ENTERED
    records = may(person, Right.RECORD_WORK, order.depot_id)
    return {
        "may_settle": may(person, Right.SETTLE_READINGS, order.depot_id),
        "may_withdraw": records and order.state in OPEN_FOR_RECORDS,
        "may_add_papers": outside and may(person, Right.RELEASE, order.depot_id),
    }


def _substitutes(person: Person, order: WorkOrder, to_do: Asked) -> Read[dict[str, Any]]:
    """Leaves to use another product, and who may give one: offered while there is work to do."""
    approves = may(person, Right.APPROVE_SUBSTITUTE, order.depot_id)
    substitutes, products = fluids_in.substitutes_on(order.pk), fluids_in.products_by_name()
    yield [substitutes, *([to_do, products] if approves else [])]
    return {
        "substitutes": substitutes,
        "may_approve": approves,
        "jobs_for_substitutes": to_do if approves else [],
        "products": products if approves else [],
    }


def _asked(request: SignedIn, question: Question) -> dict[str, Any]:
    """The card again with the question at its form, and what was typed there."""
    job = request.POST.get("job", "")
    place = "raised-by" if question.about == "raising" else "finish"
    return {
        "change_asked": question,
        "asked_at": whole_number(job) or None,
        "asked_place": f"asked-{job}" if whole_number(job) else place,
        **_typed(request),
    }


def _at_fault(request: SignedIn, fault: Fault) -> dict[str, Any]:
    """The card again with the fault at its field, and what was typed there."""
    change, job = request.POST.get("change", ""), request.POST.get("job", "")
    place = f"{change}-{job}" if change == "end-job" else change
    if fault.about in FIELDS.get(change, ()):
        place = f"{change}-{fault.about}"
    given_end = {whole_number(job): request.POST} if change == "end-job" else {}
    shown = place if change in SHOWN_AT and not _done(request) else ""
    typed = _typed(request) if change == "finish" else {}
    return {"fault": str(fault), "fault_place": shown, "given_end": given_end, **typed}


def _done(request: SignedIn) -> bool:
    """Whether it is the form of a job that has one button and no field."""
    return request.POST.get("state") == Job.State.DONE


def _typed(request: SignedIn) -> dict[str, Any]:
    return {"given": request.POST, "answered": answers_of(request.POST)}


def _back(request: SignedIn, number: str) -> HttpResponse:
    return redirect("job-card" if request.POST.get("page") == "job-card" else "work-order", number)


def _refused(request: SignedIn, fault: Fault, number: str) -> HttpResponse:
    if request.POST.get("page") == "job-card" or request.POST.get("change") == "finish":
        order = order_seen_by(request.user, number)
        return card_page(request, order, _at_fault(request, fault), status=422)
    page = _page(request, order_seen_by(request.user, number), {})
    return shown_again(request, page, fault, _back(request, number))


def _asked_back(request: SignedIn, question: Question, number: str) -> HttpResponse:
    order = order_seen_by(request.user, number)
    if request.POST.get("change") in ASKED_HERE:
        asked = {"asked": asked_about(request, question), "address": request.path}
        return filled_again(request, _page(request, order, asked, status=409))
    return card_page(request, order, _asked(request, question), status=409)


def change_order(request: SignedIn, number: str) -> HttpResponse:
    """Make one change. A question that is opened anew, such as after a reload, is the card."""
    if request.method == "GET":
        return redirect("job-card", order_seen_by(request.user, number).number)
    return _change(request, number=number)


@act(_back, refused=_refused, asked=_asked_back)
def _change(request: SignedIn, actor: Actor, number: str) -> HttpResponse:
    """Make one change; back to the page that asked for it."""
    said = make(actor, order_seen_by(request.user, number), request.POST)
    level = messages.WARNING if said.doubtful else messages.SUCCESS
    messages.add_message(request, level, said.text)
    return _back(request, number)
