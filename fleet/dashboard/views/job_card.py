"""Job card: how an order is done, and what is recorded at the vehicle."""

from io import BytesIO
from pathlib import Path
from typing import Any

import segno
from django.conf import settings
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.dashboard.frame import SignedIn, scope_of, show
from fleet.dashboard.order_changes import FITNESS, in_doubt, odometer_words, open_to
from fleet.dashboard.order_lines import order_seen_by
from fleet.dashboard.records import Sent, keep, kept, performed_at
from fleet.due.listing import today_at
from fleet.due.models import CheckFigure
from fleet.faults import Fault, Question
from fleet.people.roles import Right, depots_of, may
from fleet.vehicles.models import Compartment
from fleet.workorders import fluids_in, jobcard
from fleet.workorders.actor import Actor
from fleet.workorders.models import Finding, Job, Photo, Raising, TorqueRecord, WorkOrder, Wrench
from fleet.workorders.recording import ODD_LOOKS, OPEN_FOR_RECORDS

UNANSWERABLE = ("csrfmiddlewaretoken", "override_reason", "torque", "litres")
LOOKS = ("clear", "dark", *ODD_LOOKS)


@require_GET
def job_card(request: SignedIn, number: str) -> HttpResponse:
    return _page(request, order_seen_by(request.user, number), {})


def _page(
    request: SignedIn, order: WorkOrder, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    recording = may(request.user, Right.RECORD_WORK, order.depot_id)
    facts = {
        "order": order,
        "card": jobcard.card(order.pk),
        "open_to": open_to(request.user, order),
        "kept": kept(order),
        "figures": _figures(order),
        "question": odometer_words(order) if in_doubt(order) else "",
        "may_settle": may(request.user, Right.SETTLE_READINGS, order.depot_id),
        "today": today_at(order.depot.zone, timezone.now()),
        "may_record": recording and order.state in OPEN_FOR_RECORDS,
        "address": request.build_absolute_uri(reverse("work-order", args=[order.number])),
        **(_choices(request, order) if recording else {}),
    }
    with timezone.override(order.depot.zone):
        return show(request, "job-card", scope_of(request), {**facts, **context}, status)


def _choices(request: SignedIn, order: WorkOrder) -> dict[str, Any]:
    """What the forms of the card offer."""
    last = TorqueRecord.objects.filter(person=request.user, wrench__depot=order.depot_id)
    return {
        "wrenches": Wrench.objects.filter(depot=order.depot_id),
        "wrench_in_use": last.order_by("-pk").values_list("wrench__tag", flat=True).first(),
        "pours": _pours(order),
        "compartments": Compartment.objects.filter(vehicle_type=order.vehicle.vehicle_type_id),
        "raisings": Raising.values,
        "looks": LOOKS,
        "reasons": Job.Reason.values,
        "finding_kinds": Finding.Kind.values,
        "severities": Finding.Severity.values,
        "fitness": FITNESS,
        "photos": order.photos.filter(withdrawn_by=None),
    }


def _figures(order: WorkOrder) -> QuerySet[CheckFigure]:
    services = order.jobs.exclude(service=None).values("service")
    return CheckFigure.objects.filter(service__in=services).select_related("service")


def _pours(order: WorkOrder) -> dict[int, fluids_in.Choice]:
    """Products by job; the others stay to be chosen: what was poured in is never refused."""
    jobs = order.jobs.exclude(service=None).select_related("service__compartment")
    return {
        job.pk: fluids_in.choices(job.service.compartment, job)
        for job in jobs
        if job.service is not None
    }


@require_POST
def record_work(request: SignedIn, number: str) -> HttpResponse:
    """Take one record, from a form or from the queue of a phone."""
    order = order_seen_by(request.user, number)
    queued = request.headers.get("X-Queue") == "1"
    if queued and request.POST.get("person") != str(request.user.pk):
        said = "These records are another person's: only who made them can send them."
        return JsonResponse({"outcome": "other person", "said": said}, status=403)
    try:
        said = keep(_sent(request, order))
    except Question as question:
        return _asked(request, order, question, queued)
    except Fault as fault:
        return _refused(request, order, str(fault), queued)
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
    asked = {
        "order": order,
        "question": str(question),
        "candidates": question.candidates,
        "fields": [pair for pair in request.POST.items() if pair[0] not in UNANSWERABLE],
        "typed_name": "torque" if request.POST.get("kind") == "torque" else "litres",
        "typed": request.POST.get("torque") or request.POST.get("litres", ""),
    }
    if queued:
        html = render_to_string("dashboard/_asked.html", asked, request)
        answer = {"outcome": "asked", "said": str(question), "html": html}
        return JsonResponse(answer, status=409)
    return _page(request, order, {"asked": asked}, status=409)


def _refused(request: SignedIn, order: WorkOrder, fault: str, queued: bool) -> HttpResponse:
    if queued:
        here = f"{order} is {order.state}, version {order.version}."
        return JsonResponse({"outcome": "refused", "said": fault, "here": here}, status=422)
    return _page(request, order, {"fault": fault}, status=422)


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
    own = depots_of(request.user)
    seen = Photo.objects.filter(order__depot__in=own) | Photo.objects.filter(
        finding__vehicle__depot__in=own
    )
    row = get_object_or_404(seen.distinct(), pk=photo_id)
    path = Path(settings.MEDIA_ROOT) / row.path
    if not path.is_file():
        raise Http404
    return HttpResponse(path.read_bytes(), content_type="image/jpeg")
