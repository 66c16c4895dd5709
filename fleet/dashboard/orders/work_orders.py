"""Work orders: what is open, what waits for a decision, and releasing many at once."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.acts import act, back
from fleet.dashboard.frame import SignedIn, needs, scope_of, show, vehicle_seen_by
from fleet.dashboard.orders.changes import read_day
from fleet.dashboard.orders.decisions import decisions
from fleet.dashboard.orders.drafting import chosen_rows, drafted_words
from fleet.dashboard.orders.lines import (
    NO_DAY,
    drafts_of,
    listed,
    months_back,
    order_key,
    order_lines,
    read_order_after,
    read_order_filters,
)
from fleet.dashboard.views.vehicle import asked_back, refused
from fleet.due.models import Service
from fleet.faults import Fault, Question
from fleet.moment import one_moment
from fleet.people.actor import Actor
from fleet.people.roles import Right, may
from fleet.today import oldest_day, today_at
from fleet.visits.order_days import why_it_stands
from fleet.workorders import issue, listing
from fleet.workorders.draft_many import draft_many
from fleet.workorders.glance import glance
from fleet.workorders.issue import OrderDraft
from fleet.workorders.listing import MOST_AT_ONCE

PAGE_ROWS = 40
MONTHS_SHOWN = 12


@dataclass(frozen=True)
class StateChoice:
    state: str
    count: int | None
    chosen: bool
    query: str


@require_GET
@one_moment()
def work_orders(request: SignedIn) -> HttpResponse:
    return orders_page(request)


def orders_page(
    request: SignedIn, asked: Mapping[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    """The page; with what is asked about a release before it is made."""
    asked_for = request.GET if asked is None else QueryDict(asked["query"])  # the list stays
    scope, filters = scope_of(request, asked_for), read_order_filters(asked_for)
    now = timezone.now()
    days = {depot.pk: today_at(depot.zone, now) for depot in scope.chosen}
    after = read_order_after(asked_for.get("after", ""))
    lines = order_lines(listed(scope.chosen, filters, after)[: PAGE_ROWS + 1], days)
    today = oldest_day([depot.zone for depot in scope.chosen], now)
    releases, from_on = may(request.user, Right.RELEASE), months_back(today, MONTHS_SHOWN - 1)
    of_list = drafts_of(scope.chosen, filters) if releases else None
    seen = glance(days, scope.chosen, request.user, today, from_on, listed=of_list)
    context = {
        "lines": lines[:PAGE_ROWS],
        "more": order_key(lines[PAGE_ROWS - 1], filters) if len(lines) > PAGE_ROWS else "",
        "filters": filters,
        "states": [
            StateChoice(state, count, state in filters.states, filters.toggled(state).query)
            for state, count in seen.states.items()
        ],
        "today": today,
        "no_day": NO_DAY,
        "may_release": releases,
        "may_answer": may(request.user, Right.DEFER),
        "glance": seen,
        "week_ends": listing.week_ends(today),
        "released": request.session.pop("released", []) if releases else [],
        "asked": asked,
        "query": filters.query,
        "urgency_query": replace(filters, by_day=False).query,
        "day_query": replace(filters, by_day=True).query,
        **decisions(scope, request.user, seen.waiting),
        "decisions_open": request.GET.get("decide") == "open",
    }
    return show(request, "work-orders", scope, context, status)


def _not_drafted(request: SignedIn, fault: Fault) -> HttpResponse:
    return refused(request, vehicle_seen_by(request.user, request.POST.get("vehicle", "")), fault)


def _asked_about_draft(request: SignedIn, question: Question) -> HttpResponse:
    seen = vehicle_seen_by(request.user, request.POST.get("vehicle", ""))
    return asked_back(request, seen, question)


@needs(Right.RELEASE)
@act("work-orders", refused=_not_drafted, asked=_asked_about_draft)
def draft_order(request: SignedIn, actor: Actor) -> HttpResponse:
    """Draft an order: services chosen, what is in its early window beside them, other work."""
    vehicle = vehicle_seen_by(request.user, request.POST.get("vehicle", ""))
    slugs = request.POST.getlist("service")
    services = Service.objects.filter(vehicle_type=vehicle.vehicle_type_id, slug__in=slugs)
    other = request.POST.get("other_work", "").strip()
    on, because = read_day(request.POST), request.POST.get("override_reason", "")
    order = issue.draft(
        actor,
        OrderDraft(
            vehicle_id=vehicle.pk,
            service_ids=list(services.values_list("pk", flat=True)),
            other_work=[(other[:120], 0)] if other else [],
            planned_on=on,
            why_it_stands=why_it_stands(vehicle, vehicle.depot, on, because, actor.now),
            reason=request.POST.get("reason", "").strip()[:300],
        ),
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
    if request.POST.get("back"):
        return back(request, "findings")
    return redirect(f"{reverse('due')}?{request.POST.get('query', '')[:500]}")
