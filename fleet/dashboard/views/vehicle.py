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

from fleet import chain, reads
from fleet.dashboard.acts import to_overview
from fleet.dashboard.charts import odometer
from fleet.dashboard.findings.lines import vehicle_work
from fleet.dashboard.fluid_choices import fluid_choices
from fleet.dashboard.frame import SignedIn, asked_about, scope_of, show, vehicle_seen_by
from fleet.dashboard.life_bar import life_bar
from fleet.dashboard.orders.marks import marks_of
from fleet.dashboard.plotly_bundle import MAP_STYLE_ID
from fleet.dashboard.readings.lines import (
    ReadingLine,
    lines_of,
    placed,
    reading_lines,
    with_lines,
)
from fleet.dashboard.strip import page_scale
from fleet.dashboard.then_lines import counted, then_lines, then_scale
from fleet.dashboard.typed import shown_again
from fleet.dashboard.vehicle_facts import (
    LastReading,
    duty_lines,
    history_lines,
    last_readings,
    odometer_chart,
)
from fleet.dashboard.vehicle_forms import DutyForm, ReadingForm, Source, faults
from fleet.dashboard.whole_numbers import whole_number
from fleet.dashboard.words import day
from fleet.due.back_date import decide
from fleet.due.explain import explain, limits_by_class
from fleet.due.listing import DueFilter, due_rows
from fleet.due.models import Service
from fleet.due.read_off import unread, unread_words
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may
from fleet.readings.enter import enter
from fleet.readings.listing import newest_first
from fleet.readings.main_meter import meters_in_use
from fleet.readings.models import Reading
from fleet.reads import Read, Rows, prepared
from fleet.today import today_at
from fleet.trials.blind import Place, hidden_from
from fleet.vehicles.find import compartments_of
from fleet.vehicles.models import Alias, Meter, Vehicle
from fleet.vehicles.own_unit import odometer_unit
from fleet.visits import calendar_feed
from fleet.visits.other_work import BY_HAND, Ending
from fleet.visits.work_rows import of_vehicle

READINGS_SHOWN = 12
ASKED_STATUS = 409


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
    return page(request, vehicle_seen_by(request.user, fleet_number), {})


def page(
    request: SignedIn, seen: Vehicle, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    now, user = timezone.now(), request.user
    today = today_at(seen.depot.zone, now)
    hidden = hidden_from(user, [seen.pk], now)
    (meters, last), places, told, lines, rows, marks, work, other, *more = reads.together(
        _by_meter(seen, today),
        _by_place(seen, user, hidden, now),
        unread.steps(seen),
        lines_of.steps(_newest(seen.pk), user),
        due_rows.steps(_own(seen, today)),
        marks_of.steps([seen.pk], user, today),
        vehicle_work.steps(seen, user),
        of_vehicle.steps(seen),
        calendar_feed.feeds.steps(seen.depot, seen),
        history_lines.steps(seen, hidden),
    )
    feeds, history = more
    unit = next((one.unit for one in meters if one.kind == Meter.Kind.KM), "km")
    facts = {
        "odometer_unit": unit,
        "unread": unread_words(told, unit) if told else "",
        "vehicle": seen,
        "today": today,
        "rows": rows,
        "marks": marks,
        "early": marks.joining.get(seen.pk, ()),
        **places,
        **work,
        "other_work": other,
        "work_ended": [one for one in other if one.state in Ending.values],
        "work_kinds": BY_HAND,
        "feeds": feeds,
        "scale": page_scale(today),
        "last_of_each": last,
        "history": history,
        "lines": lines[:READINGS_SHOWN],
        "more": lines[READINGS_SHOWN - 1].pk if len(lines) > READINGS_SHOWN else "",
        "may_add": may(request.user, Right.ADD_READINGS, seen.depot_id),
        "may_set_duty": may(request.user, Right.SET_DUTY, seen.depot_id),
        "reading_form": ReadingForm(
            initial={"taken_on": today, "unit": meters[0].unit if meters else "km"}
        ),
        "map_style_id": MAP_STYLE_ID,
    }
    with timezone.override(seen.depot.zone):
        return show(request, "vehicle", scope_of(request), {**facts, **context}, status)


def refused(request: SignedIn, seen: Vehicle, fault: Fault) -> HttpResponse:
    """The page again with the fault at its form, and everything that was typed there."""
    elsewhere = redirect(f"{reverse('vehicle', args=[seen.fleet_number])}#work")
    return shown_again(request, page(request, seen, {}), fault, elsewhere)


def asked_back(request: SignedIn, seen: Vehicle, question: Question) -> HttpResponse:
    """Ask back; the same form with a reason, or with another value, goes through."""
    asked = asked_about(request, question)
    return page(request, seen, {"asked": asked, "address": request.path}, ASKED_STATUS)


def _by_meter(seen: Vehicle, today: date) -> Read[tuple[list[Meter], list[LastReading]]]:
    meters = meters_in_use(seen.pk)
    yield [meters]
    last = yield from last_readings.steps(seen, meters, today)
    return list(meters), last


def _by_place(
    seen: Vehicle, person: Person, hidden: set[Place], now: datetime
) -> Read[dict[str, Any]]:
    """The compartments, and of each its duty class and fluids."""
    rows = compartments_of(seen.vehicle_type_id)
    yield [rows]
    places = list(rows)
    today = today_at(seen.depot.zone, now)
    duty, fluids = yield from reads.side_by_side(
        duty_lines.steps(seen, places, today),
        fluid_choices.steps(seen, places, person, hidden, now),
    )
    windows_end_on = today.replace(day=1)
    return {"compartments": places, "duty": duty, "windows_end_on": windows_end_on, **fluids}


def _own(seen: Vehicle, today: date) -> DueFilter:
    return DueFilter(depots={seen.depot_id: today}, vehicle=seen.fleet_number)


@prepared
def _newest(vehicle_id: int) -> Rows:
    return placed(newest_first(vehicle_id))[: READINGS_SHOWN + 1]


def _readings(request: SignedIn, seen: Vehicle, before_id: int | None) -> list[ReadingLine]:
    """The next readings of a vehicle, newest first, one more than is shown."""
    found = newest_first(seen.pk)
    if before_id is not None:
        found = newest_first(seen.pk, before=get_object_or_404(found, pk=before_id))
    return lines_of(placed(found)[: READINGS_SHOWN + 1], request.user)


@require_GET
def vehicle_readings(request: SignedIn, fleet_number: str) -> HttpResponse:
    """More readings, for the end of the list."""
    before = request.GET.get("before", "")
    if not before.isdecimal():
        raise Http404
    seen = vehicle_seen_by(request.user, fleet_number)
    lines = _readings(request, seen, whole_number(before))
    more = lines[READINGS_SHOWN - 1].pk if len(lines) > READINGS_SHOWN else ""
    context = {"lines": lines[:READINGS_SHOWN], "more": more, "vehicle": seen}
    return render(request, "dashboard/_vehicle_reading_rows.html", context)


@require_GET
def vehicle_chart(request: SignedIn, fleet_number: str) -> HttpResponse:
    seen = vehicle_seen_by(request.user, fleet_number)
    now = timezone.now()
    today = today_at(seen.depot.zone, now)
    chart = odometer_chart(seen, due_rows(_own(seen, today)), today)
    return HttpResponse(odometer(chart).to_json(), content_type="application/json")


@require_GET
def why(request: SignedIn, fleet_number: str, service: str) -> HttpResponse:
    """Why a service falls due when it does."""
    seen = vehicle_seen_by(request.user, fleet_number)
    wanted = get_object_or_404(Service, vehicle_type=seen.vehicle_type_id, slug=service)
    try:
        now = timezone.now()
        hidden = (seen.pk, wanted.compartment_id) in hidden_from(request.user, [seen.pk], now)
        told = explain(seen, wanted, now, hide_fluid=hidden)
        context = {
            "lines": told.lines,
            "bar": life_bar(told.life_by_class),
            "limits": limits_by_class(wanted, odometer_unit(seen.pk)),
            "now": told.duty_class,
        }
    except Fault as fault:
        context = {"lines": (str(fault),)}
    return _part(request, seen, f"Why {wanted.name.lower()} is due", "dashboard/_why.html", context)


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
    return _part(request, seen, "Forecasts made before", "dashboard/_then.html", context)


def _part(
    request: SignedIn, seen: Vehicle, title: str, template: str, context: dict[str, Any]
) -> HttpResponse:
    """A part of the vehicle's page; a page of its own for whoever follows its address."""
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, template, context)
    whole = {**context, "vehicle": seen, "title": title, "part": template}
    return show(request, "_vehicle_part", scope_of(request), whole)


@require_POST
def add_reading(request: SignedIn, fleet_number: str) -> HttpResponse:
    """Store a reading and bring the vehicle up to date at once."""
    seen = vehicle_seen_by(request.user, fleet_number)
    if not may(request.user, Right.ADD_READINGS, seen.depot_id):
        raise PermissionDenied("Your role does not enter readings.")
    form = ReadingForm(request.POST)
    if not form.is_valid():
        return refused(request, seen, faults(form))
    try:
        (entered,) = enter([form.entry(seen)], Source.PAGE)
    except Fault as fault:
        return refused(request, seen, fault)
    chain.refresh([seen.pk], timezone.now())
    _say_verdict(request, entered.reading_id, entered.repeated)
    return to_overview(request) or redirect(
        f"{reverse('vehicle', args=[seen.fleet_number])}#readings"
    )


def _say_verdict(request: SignedIn, reading_id: int, repeated: bool) -> None:
    (line,) = reading_lines(with_lines(Reading.objects.filter(pk=reading_id)), request.user)
    named = f"{line.vehicle}: " if request.POST.get("back") else ""
    if repeated:
        messages.info(request, f"{named}{line.given} was entered before; nothing changed.")
    elif line.verdict == "accepted":
        messages.success(request, f"{named}{line.given} accepted; due dates are up to date.")
    else:
        messages.warning(request, f"{named}{line.given} {line.verdict}. {line.reason}")


@require_POST
def override_duty(request: SignedIn, fleet_number: str) -> HttpResponse:
    """A supervisor sets the duty class of a compartment for a time."""
    seen = vehicle_seen_by(request.user, fleet_number)
    if not may(request.user, Right.SET_DUTY, seen.depot_id):
        raise PermissionDenied("Only a supervisor sets a duty class.")
    form = DutyForm(seen, request.POST)
    if not form.is_valid():
        return refused(request, seen, faults(form))
    try:
        _decide(request, seen, form.cleaned_data)
    except Question as question:
        return asked_back(request, seen, question)
    except Fault as fault:
        return refused(request, seen, fault)
    return redirect(f"{reverse('vehicle', args=[seen.fleet_number])}#duty")


def _decide(request: SignedIn, seen: Vehicle, given: dict[str, Any]) -> None:
    until_on: date = given["until_on"]
    decide(
        Actor(request.user, "page", timezone.now()),
        vehicle=seen,
        compartment=given["compartment"],
        duty_class=given["duty_class"],
        from_on=given["from_on"],
        until_on=until_on,
        reason=given["reason"],
        override_reason=request.POST.get("override_reason", ""),
    )
    chain.refresh([seen.pk], timezone.now())
    name = given["compartment"].name
    messages.success(request, f"{name}: {given['duty_class']} until {day(until_on)}; dates follow.")
