"""Vehicle: everything known about one vehicle, and entering what is new."""

from datetime import date, datetime
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import chain
from fleet.dashboard.charts import odometer
from fleet.dashboard.entries import DutyForm, ReadingForm, Source, faults
from fleet.dashboard.finding_lines import vehicle_work
from fleet.dashboard.frame import SignedIn, scope_of, show, vehicle_seen_by
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.reading_lines import ReadingLine, reading_lines, with_lines
from fleet.dashboard.strip import page_scale
from fleet.dashboard.then_lines import counted, then_lines, then_scale
from fleet.dashboard.vehicle_facts import (
    duty_lines,
    history_lines,
    last_reading,
    odometer_chart,
)
from fleet.dashboard.work_marks import marks_of
from fleet.due.explain import explain
from fleet.due.listing import DueRow, due_rows, today_at
from fleet.due.models import Service
from fleet.duty.override import override
from fleet.faults import Fault
from fleet.people.roles import Right, depots_of, may
from fleet.readings.enter import enter
from fleet.readings.models import Reading
from fleet.vehicles.models import Alias, Vehicle

READINGS_SHOWN = 12
REFUSED_STATUS = 422


@require_GET
def find_vehicle(request: SignedIn) -> HttpResponse:
    """Open a vehicle by its fleet number, also one that it used to carry."""
    wanted = request.GET.get("fleet_number", "").strip()
    seen = Vehicle.objects.filter(depot__in=depots_of(request.user))
    found = seen.filter(fleet_number__iexact=wanted).first()
    if found is None:
        alias = Alias.objects.filter(fleet_number__iexact=wanted, vehicle__in=seen).first()
        found = alias.vehicle if alias else None
    if found is None:
        messages.warning(
            request, f"No vehicle of your depots has the fleet number “{wanted}”; this is a search."
        )
        return redirect(f"{reverse('due')}?{urlencode({'search': wanted})}")
    return redirect("vehicle", found.fleet_number)


@require_GET
def vehicle(request: SignedIn, fleet_number: str) -> HttpResponse:
    return _page(request, vehicle_seen_by(request.user, fleet_number), {})


def _page(
    request: SignedIn, seen: Vehicle, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    now = timezone.now()
    today = today_at(seen.depot.zone, now)
    lines = _readings(request, seen, None)
    facts = {
        "vehicle": seen,
        "today": today,
        "rows": _due(seen, now),
        "marks": marks_of([seen.pk], request.user, today),
        **vehicle_work(seen, request.user),
        "scale": page_scale(today),
        "last": last_reading(seen, today),
        "duty": duty_lines(seen, today),
        "history": history_lines(seen),
        "lines": lines[:READINGS_SHOWN],
        "more": lines[READINGS_SHOWN - 1].pk if len(lines) > READINGS_SHOWN else "",
        "may_add": may(request.user, Right.ADD_READINGS, seen.depot_id),
        "may_set_duty": may(request.user, Right.SET_DUTY, seen.depot_id),
        "reading_form": ReadingForm(initial={"taken_on": today, "unit": "km"}),
        "map_style_id": MAP_STYLE_ID,
    }
    with timezone.override(seen.depot.zone):
        return show(request, "vehicle", scope_of(request), {**facts, **context}, status)


def _due(seen: Vehicle, now: datetime) -> list[DueRow]:
    return due_rows(depots=[seen.depot.slug], vehicle=seen.fleet_number, now=now)


def _readings(request: SignedIn, seen: Vehicle, before_id: int | None) -> list[ReadingLine]:
    """The next readings of a vehicle, newest first, one more than is shown."""
    found = Reading.objects.filter(vehicle=seen).order_by("-taken_at", "-id")
    if before_id is not None:
        last = get_object_or_404(found, pk=before_id)
        older = found.filter(taken_at__lt=last.taken_at)
        found = older | found.filter(taken_at=last.taken_at, pk__lt=last.pk)
    return reading_lines(with_lines(found)[: READINGS_SHOWN + 1], request.user)


@require_GET
def vehicle_readings(request: SignedIn, fleet_number: str) -> HttpResponse:
    """More readings, for the end of the list."""
    before = request.GET.get("before", "")
    if not before.isdecimal():
        raise Http404
    seen = vehicle_seen_by(request.user, fleet_number)
    lines = _readings(request, seen, int(before[:18]))
    more = lines[READINGS_SHOWN - 1].pk if len(lines) > READINGS_SHOWN else ""
    context = {"lines": lines[:READINGS_SHOWN], "more": more, "vehicle": seen}
    return render(request, "dashboard/_vehicle_reading_rows.html", context)


@require_GET
def vehicle_chart(request: SignedIn, fleet_number: str) -> HttpResponse:
    seen = vehicle_seen_by(request.user, fleet_number)
    now = timezone.now()
    chart = odometer_chart(seen, _due(seen, now), today_at(seen.depot.zone, now))
    return HttpResponse(odometer(chart).to_json(), content_type="application/json")


@require_GET
def why(request: SignedIn, fleet_number: str, service: str) -> HttpResponse:
    """Why a service falls due when it does."""
    seen = vehicle_seen_by(request.user, fleet_number)
    wanted = get_object_or_404(Service, vehicle_type=seen.vehicle_type_id, slug=service)
    try:
        lines = explain(seen, wanted, timezone.now()).lines
    except Fault as fault:
        lines = (str(fault),)
    return render(request, "dashboard/_why.html", {"lines": lines})


@require_GET
def vehicle_then(request: SignedIn, fleet_number: str) -> HttpResponse:
    """What would have been forecast 3, 6 and 12 months ago, and what happened."""
    seen, now = vehicle_seen_by(request.user, fleet_number), timezone.now()
    today = today_at(seen.depot.zone, now)
    forecasts = then_lines(seen, now)
    context = {
        "lines": forecasts,
        "counted": counted(forecasts),
        "scale": then_scale(forecasts, today),
        "today": today,
    }
    return render(request, "dashboard/_then.html", context)


@require_POST
def add_reading(request: SignedIn, fleet_number: str) -> HttpResponse:
    """Store a reading and bring the vehicle up to date at once."""
    seen = vehicle_seen_by(request.user, fleet_number)
    if not may(request.user, Right.ADD_READINGS, seen.depot_id):
        raise PermissionDenied("Your role does not enter readings.")
    form = ReadingForm(request.POST)
    if not form.is_valid():
        return _page(
            request, seen, {"reading_form": form, "fault": faults(form)}, status=REFUSED_STATUS
        )
    try:
        (entered,) = enter([form.entry(seen)], Source.PAGE)
    except Fault as fault:
        return _page(
            request, seen, {"reading_form": form, "fault": str(fault)}, status=REFUSED_STATUS
        )
    chain.refresh([seen.pk], timezone.now())
    _say_verdict(request, entered.reading_id, entered.repeated)
    return redirect(f"{reverse('vehicle', args=[seen.fleet_number])}#readings")


def _say_verdict(request: SignedIn, reading_id: int, repeated: bool) -> None:
    (line,) = reading_lines(with_lines(Reading.objects.filter(pk=reading_id)), request.user)
    if repeated:
        messages.info(request, f"{line.given} was entered before; nothing changed.")
    elif line.verdict == "accepted":
        messages.success(request, f"{line.given} accepted; due dates are up to date.")
    else:
        messages.warning(request, f"{line.given} {line.verdict}. {line.reason}")


@require_POST
def override_duty(request: SignedIn, fleet_number: str) -> HttpResponse:
    """A supervisor sets the duty class of a compartment for a time."""
    seen = vehicle_seen_by(request.user, fleet_number)
    if not may(request.user, Right.SET_DUTY, seen.depot_id):
        raise PermissionDenied("Only a supervisor sets a duty class.")
    form = DutyForm(seen, request.POST)
    if not form.is_valid():
        return _page(request, seen, {"duty_fault": faults(form)}, status=REFUSED_STATUS)
    try:
        _decide(request, seen, form.cleaned_data)
    except Fault as fault:
        return _page(request, seen, {"duty_fault": str(fault)}, status=REFUSED_STATUS)
    return redirect(f"{reverse('vehicle', args=[seen.fleet_number])}#duty")


def _decide(request: SignedIn, seen: Vehicle, given: dict[str, Any]) -> None:
    until_on: date = given["until_on"]
    override(
        vehicle_id=seen.pk,
        compartment_id=given["compartment"].pk,
        duty_class=given["duty_class"],
        from_on=given["from_on"],
        until_on=until_on,
        reason=given["reason"],
        person=request.user,
    )
    chain.refresh([seen.pk], timezone.now())
    name = given["compartment"].name
    messages.success(request, f"{name}: {given['duty_class']} until {until_on}; dates follow.")
