"""What is entered about work on the Vehicle page: findings, do not use, deferrals, papers."""

from collections.abc import Callable
from functools import wraps

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet import chain
from fleet.dashboard.finding_lines import report
from fleet.dashboard.frame import SignedIn, vehicle_seen_by
from fleet.dashboard.order_changes import read_date, read_number
from fleet.due import defer
from fleet.due.models import Deferral, Service
from fleet.faults import Fault, Forbidden
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of
from fleet.vehicles.models import Vehicle
from fleet.workorders import findings, outside, papers
from fleet.workorders.actor import Actor
from fleet.workorders.models import DoNotUse

Enter = Callable[[SignedIn, Vehicle, Actor], str]


def _entry(enter: Enter) -> Callable[[SignedIn, str], HttpResponse]:
    """A form of the Vehicle page: enter it, say what came of it, and show the page again."""

    @require_POST
    @wraps(enter)
    def view(request: SignedIn, fleet_number: str) -> HttpResponse:
        seen = vehicle_seen_by(request.user, fleet_number)
        actor = Actor(request.user, "page", timezone.now())
        try:
            messages.success(request, enter(request, seen, actor))
        except Forbidden as fault:
            raise PermissionDenied(str(fault)) from fault
        except Fault as fault:
            messages.error(request, str(fault))
        return redirect(f"{reverse('vehicle', args=[seen.fleet_number])}#work")

    return view


@_entry
def report_finding(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    return f"Reported: {report(actor, seen, request.POST)}."


@_entry
def set_do_not_use(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    findings.set_do_not_use(actor, vehicle=seen, reason=request.POST.get("reason", ""))
    return f"{seen} must not be used until another person clears it."


@_entry
def clear_do_not_use(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    pk = request.POST.get("mark", "")
    mark = get_object_or_404(DoNotUse, vehicle=seen, pk=int(pk) if pk.isdecimal() else 0)
    findings.clear_do_not_use(actor, mark.pk, reason=request.POST.get("reason", ""))
    return f"{seen}: cleared. {mark.reason}"


@_entry
def defer_service(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Give leave to do a service later; the limit stays where it is."""
    given = request.POST
    service = get_object_or_404(
        Service, vehicle_type=seen.vehicle_type_id, slug=given.get("service", "")
    )
    km = given.get("until_km", "").strip()
    with transaction.atomic():
        row = defer.defer(
            vehicle=seen,
            service=service,
            person=request.user,
            reason=given.get("reason", ""),
            until_on=read_date(given, "until_on"),
            until_km=read_number(km, "until km") if km else None,
            may_wait=True,
        )
    if row.beyond_tolerance:
        return "That is beyond the tolerance: it waits until another supervisor agrees to it."
    return f"{service.name} is deferred until {_until(row)}; it still counts as late."


def _until(row: Deferral) -> str:
    parts = [str(row.until_on or ""), f"{row.until_km:,.0f} km" if row.until_km else ""]
    return " or ".join(part for part in parts if part)


@_entry
def enter_outside_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Enter what an outside workshop did, from its papers."""
    given = request.POST
    slugs = given.getlist("service")
    km, cost = given.get("odometer_km", "").strip(), given.get("cost", "").strip()
    done_on = read_date(given, "done_on")
    if done_on is None:
        raise Fault("Say on which day the work was done.")
    document = _papers(request, actor, seen)
    try:
        order = outside.record(
            actor,
            vehicle=seen,
            services=list(
                Service.objects.filter(vehicle_type=seen.vehicle_type_id, slug__in=slugs)
            ),
            done_on=done_on,
            odometer_km=read_number(km, "odometer") if km else None,
            workshop_name=given.get("workshop_name", ""),
            invoice_number=given.get("invoice_number", ""),
            cost_minor=round(read_number(cost, "cost") * 100) if cost else None,
            document=document,
        )
    except Fault:
        papers.discard(document)
        raise
    chain.refresh([seen.pk], actor.now)
    return f"{order}: entered; due dates are up to date."


def _papers(request: SignedIn, actor: Actor, seen: Vehicle) -> str:
    """The document that came with the form, kept; else the words where it lies."""
    sent = request.FILES.get("papers")
    if sent is None:
        return request.POST.get("document", "").strip()[:200]
    actor.must(Right.RELEASE, seen.depot_id)
    return papers.keep(sent.read(papers.MOST_BYTES + 1))


Decide = Callable[[Deferral, Person], str]


def _decision(decide: Decide) -> Callable[[SignedIn, int], HttpResponse]:
    """A button about a deferral; back to the vehicle, or to the list that asked."""

    @require_POST
    @wraps(decide)
    def view(request: SignedIn, deferral_id: int) -> HttpResponse:
        rows = Deferral.objects.filter(vehicle__depot__in=depots_of(request.user))
        row = get_object_or_404(rows.select_related("vehicle", "service"), pk=deferral_id)
        try:
            messages.success(request, decide(row, request.user))
        except Forbidden as fault:
            raise PermissionDenied(str(fault)) from fault
        except Fault as fault:
            messages.error(request, str(fault))
        if request.POST.get("page") == "work-orders":
            return redirect("work-orders")
        return redirect(f"{reverse('vehicle', args=[row.vehicle.fleet_number])}#work")

    return view


@_decision
def withdraw_deferral(row: Deferral, person: Person) -> str:
    defer.withdraw(row, person=person, now=timezone.now())
    return f"{row.service.name} of {row.vehicle}: the deferral is taken back."


@_decision
def agree_to_deferral(row: Deferral, person: Person) -> str:
    """The second person's own word on a deferral beyond the tolerance."""
    agreed = defer.agree(row, person=person)
    return f"{row.service.name} of {row.vehicle} is deferred until {_until(agreed)}."
