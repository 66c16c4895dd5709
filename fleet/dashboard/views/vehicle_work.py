"""What is entered about work on the Vehicle page: findings, do not use, deferrals, papers."""

from collections.abc import Callable
from datetime import date
from functools import wraps

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet import chain
from fleet.dashboard.finding_lines import report
from fleet.dashboard.frame import SignedIn, vehicle_seen_by
from fleet.dashboard.order_changes import read_number
from fleet.due import defer
from fleet.due.models import Deferral, Service
from fleet.faults import Fault, Forbidden
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.vehicles.models import Vehicle
from fleet.workorders import findings, outside
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
            second_person=_second(given, seen),
        )
    return f"{service.name} is deferred until {_until(row)}; it still counts as late."


def _second(given: QueryDict, seen: Vehicle) -> Person | None:
    pk = given.get("second_person", "")
    return (
        Person.objects.filter(pk=int(pk), depots=seen.depot_id).first() if pk.isdecimal() else None
    )


def _until(row: Deferral) -> str:
    parts = [str(row.until_on or ""), f"{row.until_km:,.0f} km" if row.until_km else ""]
    return " or ".join(part for part in parts if part)


def read_date(given: QueryDict, name: str) -> date | None:
    text = given.get(name, "").strip()
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise Fault(f"“{text[:40]}” is not a date: write it as 2026-03-31.") from None


@_entry
def enter_outside_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Enter what an outside workshop did, from its papers."""
    given = request.POST
    slugs = given.getlist("service")
    km, cost = given.get("odometer_km", "").strip(), given.get("cost", "").strip()
    done_on = read_date(given, "done_on")
    if done_on is None:
        raise Fault("Say on which day the work was done.")
    order = outside.record(
        actor,
        vehicle=seen,
        services=list(Service.objects.filter(vehicle_type=seen.vehicle_type_id, slug__in=slugs)),
        done_on=done_on,
        odometer_km=read_number(km, "odometer") if km else None,
        workshop_name=given.get("workshop_name", ""),
        invoice_number=given.get("invoice_number", ""),
        cost_minor=round(read_number(cost, "cost") * 100) if cost else None,
        document=given.get("document", "").strip()[:200],
    )
    chain.refresh([seen.pk], actor.now)
    return f"{order}: entered; due dates are up to date."


@require_POST
def withdraw_deferral(request: SignedIn, deferral_id: int) -> HttpResponse:
    rows = Deferral.objects.filter(vehicle__depot__in=depots_of(request.user))
    row = get_object_or_404(rows.select_related("vehicle", "service"), pk=deferral_id)
    try:
        defer.withdraw(row, person=request.user, now=timezone.now())
    except Forbidden as fault:
        raise PermissionDenied(str(fault)) from fault
    messages.success(request, f"{row.service.name}: the deferral is taken back.")
    return redirect(f"{reverse('vehicle', args=[row.vehicle.fleet_number])}#work")
