"""Releasing and planning many orders: what lacks a day or a mechanic is asked about, and what is
in doubt; a release can be taken back while nothing has begun."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.dashboard.acts import act, back
from fleet.dashboard.frame import SignedIn, needs
from fleet.dashboard.orders.changes import mechanic, read_day
from fleet.dashboard.orders.lines import order_seen_by
from fleet.dashboard.orders.work_orders import orders_page
from fleet.dashboard.whole_numbers import whole_number
from fleet.dashboard.words import weekday
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of
from fleet.visits import order_days
from fleet.visits.listing import days_for_orders
from fleet.visits.order_days import before_release
from fleet.workorders import listing, progress
from fleet.workorders.listing import MOST_AT_ONCE
from fleet.workorders.models import WorkOrder

ONLY_PROPOSED = (
    "Days that the plan proposes are not published: publish them first. Released now, their orders "
    "have no day, and take the one proposed only when they are named. Release them all the same?"
)


@needs(Right.RELEASE)
@require_POST
def release_orders(request: SignedIn) -> HttpResponse:
    """Release the chosen orders, each planned and given to a mechanic first where that is said."""
    chosen = [one.partition(":") for one in request.POST.getlist("order")[:MOST_AT_ONCE]]
    versions = {number: version for number, _, version in chosen}
    seen = WorkOrder.objects.filter(depot__in=depots_of(request.user), number__in=versions)
    orders = list(seen.select_related("depot", "vehicle").order_by("pk"))
    if len(orders) != len(versions):
        raise Http404
    asked = _asked(request, orders)
    if asked is not None:
        return orders_page(request, asked, status=409)
    released, doubted = _released(request, orders, versions)
    if released:
        request.session["released"] = released
        messages.success(request, f"Released {_orders(len(released))}.")
    elif not chosen:
        messages.error(request, "Choose orders first, then release them.")
    if doubted:
        again = [f"{order.number}:{versions[order.number]}" for order, _ in doubted]
        return orders_page(request, _why(request, RELEASE, doubted, again), status=409)
    return _back(request)


RELEASE, PLAN = "Release", "Plan"
Doubted = list[tuple[WorkOrder, Question]]


def _why(request: SignedIn, act: str, doubted: Doubted, again: list[str]) -> dict[str, Any]:
    """What is asked about some of the chosen orders: with a reason, another day or another
    mechanic they go through, too."""
    told: dict[str, list[WorkOrder]] = {}
    for order, question in doubted:
        told.setdefault(str(question), []).append(order)
    return {
        "act": act,
        "lacking": [],
        "said": list(told.items()),
        "why": True,
        "number": len(doubted),
        "orders": again,
        "planned_on": request.POST.get("planned_on", ""),
        "assigned_to": request.POST.get("assigned_to", ""),
        "query": request.POST.get("query", "")[:500],
    }


@dataclass(frozen=True)
class Lacking:
    """An order that would go out without a day or a mechanic, or whose day is in doubt."""

    number: str
    vehicle: str  # fleet number
    lacks: str  # "no day, no mechanic"
    depot: str  # slug
    plan_on: date | None  # the day that the depot's plan has for its jobs


def _asked(request: SignedIn, orders: list[WorkOrder]) -> dict[str, Any] | None:
    """What would go out without a day or a mechanic, or on a day in doubt, unless that was
    answered."""
    if "anyway" in request.POST:
        return None
    drafted = [order for order in orders if order.state == WorkOrder.State.DRAFTED]
    day, person = (request.POST.get(name, "") for name in ("planned_on", "assigned_to"))
    doubts = before_release(drafted, timezone.now(), read_day(request.POST))
    words = {one.pk: _lacks(one, day, person) for one in listing.unplanned(drafted)}
    lacking = [one for one in drafted if words.get(one.pk) or one.pk in doubts]
    if not lacking:
        return None
    plan_days = days_for_orders(lacking, timezone.now())
    return {
        "act": RELEASE,
        "lacking": [
            Lacking(
                number=one.number,
                vehicle=one.vehicle.fleet_number,
                lacks=words.get(one.pk, ""),
                depot=one.depot.slug,
                plan_on=None if one.planned_on or day else plan_days.get(one.pk),
            )
            for one in lacking
        ],
        "said": _said([one for one in lacking if one.pk in doubts], doubts),
        "why": any(not one.yes for one in doubts.values()),
        "number": len(orders),
        "orders": request.POST.getlist("order")[:MOST_AT_ONCE],
        "planned_on": day,
        "assigned_to": person,
        "query": request.POST.get("query", "")[:500],
    }


def _said(
    orders: list[WorkOrder], doubts: dict[int, Question]
) -> list[tuple[str, list[WorkOrder]]]:
    """What is asked about days, each sentence once with its orders."""
    proposed = sum(bool(doubts[one.pk].yes) for one in orders)
    told: dict[str, list[WorkOrder]] = {}
    for one in orders:
        question = doubts[one.pk]
        said = ONLY_PROPOSED if question.yes and proposed > 1 else str(question)
        told.setdefault(said, []).append(one)
    return list(told.items())


def _lacks(order: WorkOrder, day: str, person: str) -> str:
    """What an order lacks, and is not given with the release."""
    lacks = [
        "no day" * (order.planned_on is None and not day),
        "no mechanic" * (order.assigned_to_id is None and not person),
    ]
    return ", ".join(filter(None, lacks))


def _released(
    request: SignedIn, orders: list[WorkOrder], versions: dict[str, str]
) -> tuple[list[str], Doubted]:
    """Numbers of those that were released, and what is asked about others; why the rest was not is
    said."""
    actor = Actor(request.user, "page", timezone.now())
    doubts = before_release(orders, actor.now, read_day(request.POST))
    said, found = request.POST.get("override_reason", ""), []
    doubted: Doubted = []
    for order in orders:
        version, doubt = versions[order.number], doubts.get(order.pk)
        because = said or (doubt.yes if doubt else "")
        try:
            seen = whole_number(version) if version.isdecimal() else None
            _release(request, actor, order, seen, because)
        except Question as question:
            doubted.append((order, question))
        except Fault as fault:
            messages.warning(request, str(fault))
        else:
            found.append(order.number)
    return found, doubted


def _release(
    request: SignedIn, actor: Actor, order: WorkOrder, version: int | None, because: str
) -> None:
    """Its day and mechanic first, so that it is asked about the day with which it goes out."""
    with transaction.atomic():
        version = _plan(request, actor, order, read_day(request.POST), version)
        order_days.release(actor, order.pk, version=version, override_reason=because)


@needs(Right.RELEASE)
@require_POST
def take_back_orders(request: SignedIn) -> HttpResponse:
    """Take a release back: the chosen orders are drafted again, unless work has begun."""
    actor = Actor(request.user, "page", timezone.now())
    taken = 0
    for number in request.POST.getlist("order")[:MOST_AT_ONCE]:
        order = order_seen_by(request.user, number)
        try:
            progress.take_back(actor, order.pk)
        except Fault as fault:
            messages.warning(request, str(fault))
        else:
            taken += 1
    if taken:
        messages.success(request, f"{_orders(taken).capitalize()} drafted again.")
    return _back(request)


@needs(Right.RELEASE)
@act("work-orders")
def plan_orders(request: SignedIn, actor: Actor) -> HttpResponse:
    """Give the chosen orders a day, a mechanic or both."""
    planned_on, person = read_day(request.POST), request.POST.get("assigned_to", "")
    if planned_on is None and not person:
        raise Fault("Say for which day, or who does it.")
    planned, doubted = 0, []
    for number in request.POST.getlist("order")[:MOST_AT_ONCE]:
        order = order_seen_by(request.user, number)
        try:
            _plan(request, actor, order, planned_on, order.version)
        except Question as question:
            doubted.append((order, question))
        except Fault as fault:
            messages.warning(request, f"{order}: {fault}")
        else:
            planned += 1
    if planned:
        on = "" if planned_on is None else f" for {weekday(planned_on)}"
        messages.success(request, f"Planned {_orders(planned)}{on}.")
    elif not request.POST.getlist("order"):
        messages.error(request, "Choose orders first, then plan them.")
    if doubted:
        again = [order.number for order, _ in doubted]
        return orders_page(request, _why(request, PLAN, doubted, again), status=409)
    return back(request, "work-orders", request.POST.get("query", "")[:500])


def _plan(
    request: SignedIn, actor: Actor, order: WorkOrder, on: date | None, version: int | None
) -> int | None:
    """Day and mechanic, where they are said; the version that follows."""
    return order_days.set_both(
        actor,
        order,
        planned_on=order.planned_on if on is None else on,
        person=mechanic(request.POST, order.depot_id) or order.assigned_to,
        version=version,
        override_reason=request.POST.get("override_reason", ""),
    )


def _orders(number: int) -> str:
    return f"{number} order{'s' * (number != 1)}"


def _back(request: SignedIn) -> HttpResponse:
    return redirect(f"{reverse('work-orders')}?{request.POST.get('query', '')[:500]}")
