"""Job card: how an order is done, and what is recorded at the vehicle."""

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import segno
from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from fleet import chain, reads
from fleet.dashboard.frame import SignedIn, needs, scope_of, show
from fleet.dashboard.orders import odometer, typed_torques
from fleet.dashboard.orders.changes import FITNESS, open_to
from fleet.dashboard.orders.kept import kept
from fleet.dashboard.orders.lines import order_seen_by
from fleet.dashboard.orders.records import ASKED_VALUE, TYPED, Sent, keep, performed_at
from fleet.dashboard.shown_units import torques_in_text
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.people.roles import Right, depots_of, may
from fleet.reads import Read
from fleet.today import today_at
from fleet.trials.blind import orders_shown
from fleet.vehicles.find import compartments_of
from fleet.visits.also import beside_order
from fleet.visits.early import early_of_orders
from fleet.workorders import (
    fluids,
    fluids_in,
    in_stock,
    jobcard,
    listing,
    measured,
    photos,
    restrictions,
    torques,
)
from fleet.workorders.cardfluids import CardProduct
from fleet.workorders.gaps import Missing, gaps_of, missing
from fleet.workorders.levels import levels
from fleet.workorders.models import Finding, FluidRecord, Job, Raising, WorkOrder
from fleet.workorders.recording import OPEN_FOR_RECORDS
from fleet.workorders.ticked import ticked

MOVES_DATES = ("check", "confirm")  # what is due may follow from them at once
UNANSWERABLE = ("csrfmiddlewaretoken", "override_reason", "keep_quart", ASKED_VALUE, *TYPED)
MEANT = "It may have been meant as, one tap records it:"
CHOSEN = {  # what a question may offer another of
    "product": "Or it was one that is accepted, one tap records it:",
    "wrench": "Or it was one whose calibration holds, one tap records it:",
}


@dataclass(frozen=True)
class Pour:
    """Products that a job's compartment accepts, as its card lists them, and the others."""

    accepted: tuple[CardProduct, ...]
    others: tuple[CardProduct, ...]


LOOKS = ("clear", "dark", *fluids.ODD_LOOKS)


@require_GET
def job_card(request: SignedIn, number: str) -> HttpResponse:
    return page(request, order_seen_by(request.user, number), {})


def page(
    request: SignedIn, order: WorkOrder, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    """The card, perhaps with a question or fault on top."""
    recording = may(request.user, Right.RECORD_WORK, order.depot_id)
    waits = order.state == WorkOrder.State.WAITING
    now = timezone.now()
    orders_shown(request.user, [order.pk], "the job card", now)
    may_now, stand = open_to(request.user, order), restrictions.standing([order.vehicle_id])
    card, odo, recorded, figures, gaps, also, early, odd, read, places, left, _ = reads.together(
        _card(request, order, recording=recording),
        odometer.facts.steps(order, may_now),
        kept.steps(order),
        measured.figures_of.steps(order),
        _gaps(order),
        beside_order.steps(order, now),
        early_of_orders.steps([order]),
        fluids.odd_untold.steps(order),
        levels.steps(order),
        compartments_of(order.vehicle.vehicle_type_id),
        gaps_of.steps(order),
        stand,
    )
    card, choices = card
    facts = {
        "order": order,
        **odo,
        "restrictions": stand,
        "card": card,
        "told": _told_before(card),
        "open_to": may_now,
        "kept": recorded.by_place,
        "ticked": {job.id: ticked(job, recorded.records, recorded.values) for job in card.jobs},
        "left_out": left,
        "fitness": FITNESS,
        "figures": figures,
        "may_settle": may(request.user, Right.SETTLE_READINGS, order.depot_id),
        "today": today_at(order.depot.zone, now),
        "may_record": recording and order.state in OPEN_FOR_RECORDS and not waits,
        "may_note": recording and order.state in OPEN_FOR_RECORDS,
        "address": request.build_absolute_uri(reverse("work-order", args=[order.number])),
        "gaps": gaps,
        "also": also,
        "early": early.get(order.pk),
        "odd": odd,
        "levels": read,
        "photos_of": recorded.photos.by_finding,
        "photos": recorded.photos.without_finding,
        "may_withdraw": recording and order.state in OPEN_FOR_RECORDS,
        "compartments": places,
        **choices,
    }
    with timezone.override(order.depot.zone):
        return show(request, "job-card", scope_of(request), {**facts, **context}, status)


def _told_before(card: jobcard.Card) -> dict[int, frozenset[str]]:
    """Cautions that an earlier job of the card gave in full, by job: there the hazard is named
    again, and the rest of it is folded."""
    found: dict[int, frozenset[str]] = {}
    told: frozenset[str] = frozenset()
    for job in card.jobs:
        found[job.id] = told
        told |= {one.slug for step in job.steps for one in step.cautions}
        told |= {one.slug for one in job.cautions}
    return found


def _gaps(order: WorkOrder) -> Read[dict[int, list[Missing]]]:
    """What the open jobs of an order under way still want recorded, by job."""
    if order.started_at is None:
        return {}
    jobs = listing.jobs_to_do(order.pk)
    yield [jobs]
    found = yield from reads.side_by_side(*(missing.steps(job) for job in jobs))
    return {job.pk: left for job, left in zip(jobs, found, strict=True)}


def _card(
    request: SignedIn, order: WorkOrder, *, recording: bool
) -> Read[tuple[jobcard.Card, dict[str, Any]]]:
    """The card, and what its forms offer to who records."""
    card = yield from jobcard.card_of.steps(order, depots_of(request.user))
    choices = (yield from _choices(request, order, card)) if recording else {}
    return card, choices


def _choices(request: SignedIn, order: WorkOrder, card: jobcard.Card) -> Read[dict[str, Any]]:
    """What the forms of the card offer."""
    takes = in_stock.of_card(card)
    valid = [one.tag for one in card.wrenches if one.in_calibration]
    wrench, pours = yield from reads.side_by_side(
        torques.preset_wrench.steps(request.user, order, valid), _pours(order, card)
    )
    return {
        "too_little": [one for one in takes if one.too_little],
        "wrenches": sorted(card.wrenches, key=lambda one: one.tag),
        "wrench_in_use": wrench,
        "pours": pours,
        "raisings": Raising.values,
        "looks": LOOKS,
        "ways": FluidRecord.Way.values,
        "reasons": Job.Reason.values,
        "finding_kinds": Finding.Kind.values,
        "severities": Finding.Severity.values,
        "answers": restrictions.ANSWERS,
    }


def _pours(order: WorkOrder, card: jobcard.Card) -> Read[dict[int, fluids_in.Choice | Pour]]:
    """Products by job; the others stay to be chosen: what was poured in is never refused. The
    card has told them of a job whose compartment has a fluid listed."""
    told: dict[int, fluids_in.Choice | Pour] = {
        job.id: Pour(job.fluid.accepted, job.fluid.not_accepted) for job in card.jobs if job.fluid
    }
    untold = {job.id for job in card.jobs} - set(told)
    if not untold:
        return told
    jobs = order.jobs.filter(pk__in=untold).select_related("service__compartment", "compartment")
    yield [jobs]
    untold_choices = yield from fluids_in.choices_of_jobs.steps(list(jobs))
    return {**told, **untold_choices}


@needs(Right.RECORD_WORK)
@require_http_methods(["GET", "POST"])
def record_work(request: SignedIn, number: str) -> HttpResponse:
    """Take one record, from a form or from the queue of a phone; opened anew, it is the card."""
    order = order_seen_by(request.user, number)
    if request.method == "GET":
        return redirect("job-card", order.number)
    queued = request.headers.get("X-Queue") == "1"
    if queued and request.POST.get("person") != str(request.user.pk):
        said = "These records are another person's: only who made them can send them."
        return JsonResponse({"outcome": "other person", "said": said}, status=403)
    try:
        said = keep(_sent(request, order))
    except Question as question:
        return _asked(request, order, question, queued)
    except Fault as fault:
        return _refused(request, order, torques_in_text(str(fault)), queued)
    if request.POST.get("kind") in MOVES_DATES:
        chain.refresh([order.vehicle_id], timezone.now())
    if queued:
        return JsonResponse({"outcome": "kept", "said": said})
    messages.success(request, said)
    return redirect("job-card", order.number)


def _sent(request: SignedIn, order: WorkOrder) -> Sent:
    now = timezone.now()
    at = performed_at(request.POST.get("performed_at", ""), now)
    actor = Actor(request.user, "page", now, performed_at=at)
    return Sent(actor, order, request.POST, request.FILES.get("photo"))


def _asked(request: SignedIn, order: WorkOrder, question: Question, queued: bool) -> HttpResponse:
    """Ask back; the same form with a reason, or with another value, goes through."""
    sent = _sent(request, order)
    typed_name = next((name for name in TYPED if request.POST.get(name)), "litres")
    answered = (*UNANSWERABLE, "whole") if request.POST.get("torque") else UNANSWERABLE
    pairs = [pair for pair in request.POST.items() if pair[0] not in answered]
    candidates_of = question.about if question.about in CHOSEN else typed_name
    candidates = [(one.partition(":")[0], one) for one in question.candidates]
    if candidates_of == "torque":
        candidates = [typed_torques.one_tap(one) for one in question.candidates]
    asked = {
        "order": order,
        "question": torques_in_text(str(question)),
        "yes": question.yes,
        "words": request.POST.get("way") or request.POST.get("kind", ""),
        "fields": pairs,
        "candidates": candidates,
        "candidates_of": candidates_of,
        "candidates_head": CHOSEN.get(question.about, MEANT),
        "typed_name": typed_name,
        "typed": request.POST.get(typed_name, ""),
        "typed_unit": _typed_unit(sent, typed_name),
        "which": question.about == "quantity" and not request.POST.get("override_reason"),
        "may_keep": may(request.user, Right.SET_UP, order.depot_id),
    }
    if queued:
        html = render_to_string("dashboard/_asked.html", asked, request)
        answer = {"outcome": "asked", "said": str(question), "html": html}
        return JsonResponse(answer, status=409)
    return page(request, order, {"asked": asked}, status=409)


def _typed_unit(sent: Sent, name: str) -> str:
    """The unit of the field that a question is about, where its label says one."""
    if name == "torque" or (name == "value" and sent.text("unit") == "N·m"):
        return typed_torques.shown_unit(sent.text)
    if name == "litres":
        return "L"
    return sent.text("unit") if name == "value" else ""


def _refused(request: SignedIn, order: WorkOrder, fault: str, queued: bool) -> HttpResponse:
    if queued:
        here = f"{order} is {order.state}, version {order.version}."
        return JsonResponse({"outcome": "refused", "said": fault, "here": here}, status=422)
    return page(request, order, {"fault": fault}, status=422)


@require_GET
def order_code(request: SignedIn, number: str) -> HttpResponse:
    """The QR code of an order's page, for the printed card."""
    order = order_seen_by(request.user, number)
    address = request.build_absolute_uri(reverse("work-order", args=[order.number]))
    drawn = BytesIO()
    segno.make_qr(address, error="m").save(drawn, kind="svg", border=2, svgclass=None)
    return HttpResponse(drawn.getvalue(), content_type="image/svg+xml")


@require_GET
def photo(request: SignedIn, photo_id: int) -> HttpResponse:
    """A photo, to who sees its vehicle."""
    row = get_object_or_404(photos.at_depots(depots_of(request.user)), pk=photo_id)
    path = Path(settings.MEDIA_ROOT) / row.path
    if not path.is_file():
        raise Http404
    return HttpResponse(path.read_bytes(), content_type="image/jpeg")
