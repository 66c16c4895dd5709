"""Workshop days: the plan of one depot as days and bays, and planning it anew."""

from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.dashboard.acts import act
from fleet.dashboard.filters import typed_day
from fleet.dashboard.frame import Scope, SignedIn, needs, scope_of, show
from fleet.dashboard.visits import lines
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.stores import money
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits import calendar_feed
from fleet.visits.board import board
from fleet.visits.events import newest_events
from fleet.visits.fit import to_fit
from fleet.visits.listing import gap, newest, promise_rows, told
from fleet.visits.models import Plan
from fleet.visits.overtaken import out_of_date
from fleet.visits.replan import how_far, replan

SHOWN_D = 14


@require_GET
def workshop_days(request: SignedIn) -> HttpResponse:
    scope = scope_of(request)
    depot = scope.chosen[0] if scope.chosen else None
    context: dict[str, Any] = {"one": depot}
    if depot is not None:
        today = today_at(depot.zone, timezone.now())
        acts = may(request.user, Right.RELEASE, depot)
        context |= {"today": today, "may_act": acts, "others": scope.chosen[1:]}
        context["feeds"] = calendar_feed.feeds(depot) if acts else []
        plan = newest(depot)
        if plan is not None:
            context |= _planned(plan, today, request.GET.get("from", ""), scope)
            if acts and request.GET.get("fit"):
                fit = to_fit(depot, today, plan.days)
                context |= {"fit": fit, "fit_saves": money.words(fit.saves_minor)}
    return show(request, "workshop-days", scope, context)


def _planned(plan: Plan, today: date, asked: str, scope: Scope) -> dict[str, Any]:
    last = plan.as_of_on + timedelta(days=plan.days - 1)
    first = min(max(typed_day(asked) or today, today), max(last, today))
    found = board(plan, today, first, SHOWN_D)
    cost = money.words(plan.cost_minor)
    return {
        "plan": plan,
        "board": found,
        "told": told(plan),
        "out_of_date": out_of_date(plan, found.overtaken),
        "rows": [(one, lines.load(one)) for one in found.days],
        "first": first,
        "end": first + timedelta(days=SHOWN_D - 1),
        "earlier": max(today, first - timedelta(days=SHOWN_D)) if first > today else None,
        "later": first + timedelta(days=SHOWN_D)
        if first + timedelta(days=SHOWN_D) <= last
        else None,
        "until": today + timedelta(days=6),
        "cost": cost,
        "bound": money.words(plan.bound_minor),
        "gap": gap(plan.cost_minor, plan.bound_minor),
        "late_total": round(found.late_d),
        "prices": lines.prices(plan, today),
        "means": lines.a_day_late(found),
        "of_these": lines.of_these(found),
        "unplanned": lines.unplanned(plan),
        "promises": promise_rows([plan.depot]),
        "compared": lines.compared(plan),
        "events": newest_events(plan.depot),
    }


def depot_named(request: SignedIn, slug: str) -> Depot:
    """One of the person's own depots; any other is not found."""
    found: Depot | None = depots_of(request.user).filter(slug=slug).first()
    if found is None:
        raise Http404
    return found


def days_of(depot: Depot, first: date | None = None) -> str:
    """The address of a depot's workshop days."""
    begin = f"&from={first.isoformat()}" if first else ""
    return f"{reverse('workshop-days')}?depot={depot.slug}{begin}"


@needs(Right.RELEASE)
@require_GET
def planning_state(request: SignedIn) -> HttpResponse:
    """What planning a depot anew is at, in words."""
    depot = depot_named(request, request.GET.get("depot", ""))
    return HttpResponse(lines.how_far(how_far(depot)), content_type="text/plain; charset=utf-8")


def _not_planned(request: SignedIn, fault: Fault, **_: Any) -> HttpResponse:
    messages.error(request, str(fault))
    return redirect(days_of(depot_named(request, request.POST.get("depot", ""))))


@needs(Right.RELEASE)
@act("workshop-days", refused=_not_planned)
def plan_anew(request: SignedIn, actor: Actor) -> HttpResponse:
    """Plan one depot anew while the person waits."""
    depot = depot_named(request, request.POST.get("depot", ""))
    found = replan(actor, depot)
    if found.same:
        messages.success(request, "Nothing has changed since this plan was made: it stays.")
    else:
        messages.success(request, lines.planned_anew(found.moved))
    return redirect(days_of(depot))
