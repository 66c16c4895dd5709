"""Publish visits of a plan: first what will change, then the same act for good."""

from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect
from django.utils import timezone

from fleet.dashboard.frame import SignedIn, needs, scope_of, show
from fleet.dashboard.orders.changes import read_date
from fleet.dashboard.visits import lines
from fleet.dashboard.visits.workshop_days import days_of, depot_named
from fleet.dashboard.whole_numbers import whole_number, whole_numbers
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.today import today_at
from fleet.vehicles.models import Depot
from fleet.visits.listing import newest, visits_until
from fleet.visits.publish import Outcome, publish
from fleet.workorders.listing import orders_numbered


@needs(Right.RELEASE)
def publish_days(request: SignedIn) -> HttpResponse:
    """Asked for: what publishing up to a day would change. Sent: publish what was shown."""
    if request.method == "POST":
        return _publish(request)
    depot = depot_named(request, request.GET.get("depot", ""))
    today = today_at(depot.zone, timezone.now())
    try:
        until = read_date(request.GET, "until") or today
        context = _will_do(request, depot, today, until)
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect(days_of(depot))
    return show(request, "publish-days", scope_of(request), context)


def _actor(request: SignedIn) -> Actor:
    return Actor(request.user, "page", timezone.now())


def _will_do(request: SignedIn, depot: Depot, today: date, until: date) -> dict[str, Any]:
    plan = newest(depot)
    if plan is None:
        raise Fault(f"{depot.name} has no plan yet: plan it first.")
    ids = [one.pk for one in visits_until(plan.pk, today, until)]
    named = set(whole_numbers(request.GET.getlist("released")))

    def tried() -> list[Outcome]:
        return publish(_actor(request), plan.pk, visit_ids=ids, version=plan.version,
                       released=named, dry=True)  # fmt: skip

    outcomes = tried()
    seen = orders_numbered(depot, [one.number for one in outcomes])
    if "all" in request.GET:
        named = {one.pk for one in lines.released(seen, outcomes, named)}
        outcomes = tried()
        seen = orders_numbered(depot, [one.number for one in outcomes])
    refused = {one.visit_id for one in outcomes if one.refusal is not None}
    changing = {one.visit_id for one in outcomes if one.done} - refused
    rows = [lines.WillDo(one) for one in outcomes]
    return {
        "plan": plan,
        "one": depot,
        "until": until,
        "back": days_of(depot),
        "any": bool(ids),
        "visits": [pk for pk in ids if pk in changing],
        "refused": len(refused),
        "unfit": len({one.visit_id for one in outcomes if one.unfit and one.visit_id in changing}),
        "will_do": [one for one in rows if not one.is_so],
        "as_is": [one for one in rows if one.is_so],
        "changes": sum(bool(one.done) for one in outcomes),
        "orders": seen,
        "released": lines.released(seen, outcomes, named),
    }


def _publish(request: SignedIn) -> HttpResponse:
    depot = depot_named(request, request.POST.get("depot", ""))
    try:
        outcomes = _published(request, request.POST)
    except Fault as fault:
        messages.error(request, str(fault))
        return redirect(days_of(depot))
    messages.success(request, lines.told(outcomes))
    for one in outcomes:
        if one.refusal is not None:
            messages.warning(request, f"{one.vehicle}: {one.refusal}")
    for sentence in lines.besides(outcomes):
        messages.warning(request, sentence)
    return redirect(days_of(depot))


def _published(request: SignedIn, given: QueryDict) -> list[Outcome]:
    depot = depot_named(request, given.get("depot", ""))
    plan_id, _, version = given.get("plan", "").partition(":")
    if not (plan_id.isdecimal() and version.isdecimal()):
        raise Fault("Load the page again: this form is not complete.")
    plan = newest(depot)
    seen = {
        whole_number(pk): whole_number(at)
        for pk, _, at in (one.partition(":") for one in given.getlist("order"))
        if whole_number(pk) and at.isdecimal()
    }
    if plan is None or plan.pk != whole_number(plan_id):
        raise Fault(f"{depot.name} was planned anew meanwhile: look again.")
    return publish(
        _actor(request),
        plan.pk,
        visit_ids=whole_numbers(given.getlist("visit")),
        version=int(version[:9]),
        orders=seen,
        released=whole_numbers(given.getlist("released")),
    )
