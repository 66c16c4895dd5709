"""What is entered about work on the Vehicle page: findings, do not use, deferrals, papers."""

from collections.abc import Callable
from functools import wraps

from django.db import transaction
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fleet import chain
from fleet.dashboard.acts import act, to_overview
from fleet.dashboard.findings.lines import report
from fleet.dashboard.frame import SignedIn, needs, vehicle_seen_by
from fleet.dashboard.orders.changes import read_date, read_number
from fleet.dashboard.readings.figures import meter_figure
from fleet.dashboard.views.vehicle import asked_back, refused
from fleet.dashboard.whole_numbers import whole_number
from fleet.due import defer
from fleet.due.models import Deferral, Service
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of
from fleet.stores.models import Product
from fleet.today import today_at
from fleet.vehicles.models import Compartment, Vehicle
from fleet.vehicles.own_unit import figures, from_own, odometer_unit
from fleet.visits import other_work
from fleet.workorders import findings, fluid_for, outside, papers, restrictions
from fleet.workorders.models import DoNotUse, Restriction
from fleet.workorders.outside import InvoicedWork

Enter = Callable[[SignedIn, Vehicle, Actor], str]


def _back(request: SignedIn, fleet_number: str) -> HttpResponse:
    """The page at what it says: the forms lie far below that."""
    return to_overview(request) or redirect(f"{reverse('vehicle', args=[fleet_number])}#said")


def _refused(request: SignedIn, fault: Fault, fleet_number: str) -> HttpResponse:
    return refused(request, vehicle_seen_by(request.user, fleet_number), fault)


def _asked(request: SignedIn, question: Question, fleet_number: str) -> HttpResponse:
    return asked_back(request, vehicle_seen_by(request.user, fleet_number), question)


def _entry(enter: Enter) -> Callable[..., HttpResponse]:
    """A form of the Vehicle page: enter it, say what came of it, and show the page again;
    what was refused stands there as it was typed."""

    @act(_back, refused=_refused, asked=_asked)
    @wraps(enter)
    def view(request: SignedIn, actor: Actor, fleet_number: str) -> str:
        return enter(request, vehicle_seen_by(request.user, fleet_number), actor)

    return view


@_entry
def report_finding(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    return f"Reported: {report(actor, seen, request.POST, request.FILES.get('photo'))}."


@_entry
def set_do_not_use(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    findings.set_do_not_use(actor, vehicle=seen, reason=request.POST.get("reason", ""))
    return f"{seen} must not be used until another person clears it."


@_entry
def clear_do_not_use(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    mark = get_object_or_404(DoNotUse, vehicle=seen, pk=whole_number(request.POST.get("mark", "")))
    findings.clear_do_not_use(actor, mark.pk, reason=request.POST.get("reason", ""))
    return f"{seen}: cleared. {mark.reason}"


@_entry
def lift_restriction(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    row = get_object_or_404(
        Restriction, vehicle=seen, pk=whole_number(request.POST.get("restriction", ""))
    )
    restrictions.lift(actor, row.pk, reason=request.POST.get("reason", ""))
    return f"{seen}: “{row.text}” is lifted."


@needs(Right.APPROVE_SUBSTITUTE)
@_entry
def choose_fluid(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Say what a compartment is to get; "gearbox/right-oil" names both in one choice."""
    given = request.POST
    place, _, slug = given.get("fluid", "").partition("/")
    compartments = Compartment.objects.filter(vehicle_type=seen.vehicle_type_id, slug=place)
    compartment, product = compartments.first(), Product.objects.filter(slug=slug).first()
    if compartment is None or product is None:
        raise Fault("Choose the fluid and its compartment.")
    row = fluid_for.choose_by_hand(
        actor,
        vehicle=seen,
        compartment=compartment,
        product=product,
        because=given.get("because", ""),
        source=given.get("source", ""),
        from_on=read_date(given, "from_on") or today_at(seen.depot.zone, actor.at),
        until_on=read_date(given, "until_on"),
    )
    return f"{compartment.name}: {row}; cards, stock and demand follow."


@needs(Right.APPROVE_SUBSTITUTE)
@_entry
def end_chosen_fluid(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    pk = request.POST.get("chosen", "")
    row = get_object_or_404(seen.chosen_fluids, pk=whole_number(pk))
    on = read_date(request.POST, "on") or today_at(seen.depot.zone, actor.at)
    fluid_for.end_by_hand(actor, row, on=on, reason=request.POST.get("reason", ""))
    return f"{row.compartment.name}: {row.product} is not chosen any more."


@needs(Right.DEFER)
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
            until_km=_total_km(request, km, "until"),
            may_wait=True,
        )
    if row.beyond_tolerance:
        return "That is beyond the tolerance: it waits until another supervisor agrees to it."
    return f"{service.name} is deferred until {_until(row)}; it still counts as late."


def _total_km(request: SignedIn, typed: str, name: str) -> float | None:
    """A total typed in the unit of the vehicle's own odometer, in km; nothing typed: None."""
    if not typed:
        return None
    beside, named = request.POST.get("unit") or "km", f"{name.capitalize()}: "
    among = ("h",) if beside == "h" else ("km", "mi")
    return from_own(*meter_figure(typed, beside, name, named, among))


def _until(row: Deferral) -> str:
    unit = odometer_unit(row.vehicle_id)
    parts = [str(row.until_on or ""), figures(row.until_km, unit) if row.until_km else ""]
    return " or ".join(part for part in parts if part)


@needs(Right.RELEASE)
@_entry
def enter_outside_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Enter what an outside workshop did, from its papers."""
    given = request.POST
    slugs = given.getlist("service")
    typed = (given.get(name, "").strip() for name in ("odometer_km", "total_h", "cost"))
    km, hours, cost = typed
    named = "Engine hours: "
    done_on = read_date(given, "done_on")
    if done_on is None:
        raise Fault("Say on which day the work was done.")
    document = _papers(request, actor, seen)
    try:
        order = outside.record(
            actor,
            InvoicedWork(
                vehicle=seen,
                services=list(
                    Service.objects.filter(vehicle_type=seen.vehicle_type_id, slug__in=slugs)
                ),
                done_on=done_on,
                odometer_km=_total_km(request, km, "odometer"),
                total_h=meter_figure(hours, "h", "total_h", named, ("h",))[0] if hours else None,
                workshop_name=given.get("workshop_name", ""),
                invoice_number=given.get("invoice_number", ""),
                cost_minor=round(read_number(cost, "cost") * 100) if cost else None,
                document=document,
                override_reason=given.get("override_reason", ""),
            ),
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


@needs(Right.RELEASE)
@_entry
def enter_other_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    work = other_work.enter(actor, seen, _other_work(request.POST))
    return f"{work} is entered: the next plan has it."


@needs(Right.RELEASE)
@_entry
def correct_other_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    work = other_work.correct(actor, _work_id(request, seen), _other_work(request.POST))
    return f"{work} is corrected: the next plan follows."


@needs(Right.RELEASE)
@_entry
def end_other_work(request: SignedIn, seen: Vehicle, actor: Actor) -> str:
    """Say that it is done or is not to be done; or take that back."""
    given, pk = request.POST, _work_id(request, seen)
    if given.get("ending") == "open":
        return f"{other_work.reopen(actor, pk)} is open again."
    on, why = read_date(given, "on"), given.get("reason", "")
    work = other_work.end(actor, pk, ending=given.get("ending", ""), on=on, reason=why)
    return f"{work} is {work.ending}."


def _work_id(request: SignedIn, seen: Vehicle) -> int:
    pk = request.POST.get("work", "")
    return get_object_or_404(seen.other_work, pk=whole_number(pk)).pk


def _other_work(given: QueryDict) -> other_work.Given:
    return other_work.Given(
        kind=given.get("kind", ""),
        title=given.get("title", ""),
        minutes=round(read_number(given.get("minutes", ""), "minutes")),
        number=given.get("number", ""),
        fixed_on=read_date(given, "fixed_on"),
        latest_on=read_date(given, "latest_on"),
        skills=given.get("skills", "").split(";"),
        why_it_stands=given.get("override_reason", ""),
    )


def _deferral(request: SignedIn, deferral_id: int) -> Deferral:
    rows = Deferral.objects.filter(vehicle__depot__in=depots_of(request.user))
    return get_object_or_404(rows.select_related("vehicle", "service"), pk=deferral_id)


def _decided(request: SignedIn, deferral_id: int) -> HttpResponse:
    """Back to the vehicle, or to the list that asked."""
    if request.POST.get("page") == "work-orders":
        return redirect("work-orders")
    return _back(request, _deferral(request, deferral_id).vehicle.fleet_number)


@act(_decided)
def withdraw_deferral(request: SignedIn, actor: Actor, deferral_id: int) -> str:
    row = _deferral(request, deferral_id)
    defer.withdraw(row, person=request.user, now=actor.now)
    return f"{row.service.name} of {row.vehicle}: the deferral is taken back."


@act(_decided)
def agree_to_deferral(request: SignedIn, actor: Actor, deferral_id: int) -> str:
    """The second person's own word on a deferral beyond the tolerance."""
    row = _deferral(request, deferral_id)
    agreed = defer.agree(row, person=request.user)
    return f"{row.service.name} of {row.vehicle} is deferred until {_until(agreed)}."
