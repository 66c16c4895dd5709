"""What belongs to an order besides its states: papers, records taken back, substitutes."""

from collections.abc import Callable
from functools import wraps

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet import chain
from fleet.dashboard.frame import SignedIn
from fleet.dashboard.order_lines import order_seen_by
from fleet.dashboard.records import record_of
from fleet.faults import Fault, Forbidden
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment
from fleet.workorders import fluids_in, papers, withdraw
from fleet.workorders.actor import Actor
from fleet.workorders.models import Substitute, WorkOrder

Enter = Callable[..., str]


def _entry(enter: Enter) -> Callable[..., HttpResponse]:
    """A form of the order's page: enter it, say what came of it, and show the page again."""

    @require_POST
    @wraps(enter)
    def view(request: SignedIn, number: str, **which: str | int) -> HttpResponse:
        order = order_seen_by(request.user, number)
        actor = Actor(request.user, "page", timezone.now())
        try:
            messages.success(request, enter(request, order, actor, **which))
        except Forbidden as fault:
            raise PermissionDenied(str(fault)) from fault
        except Fault as fault:
            messages.error(request, str(fault))
        return redirect("work-order", order.number)

    return view


@_entry
def add_papers(request: SignedIn, order: WorkOrder, actor: Actor) -> str:
    """Keep the document of an outside workshop."""
    given = request.FILES.get("document")
    if given is None:
        raise Fault("Choose the document first: a PDF or a photo of it.")
    papers.attach(actor, order.pk, given.read(papers.MOST_BYTES + 1))
    return f"{order}: the document is kept."


@require_GET
def order_papers(request: SignedIn, number: str) -> HttpResponse:
    """The document of an outside workshop, to be saved; never shown inside a page."""
    order = order_seen_by(request.user, number)
    found = papers.kept(order)
    if found is None:
        raise Http404
    path, kind = found
    name = f"{order.number}-papers{path.suffix}"
    answer = HttpResponse(path.read_bytes(), content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@_entry
def withdraw_record(
    request: SignedIn, order: WorkOrder, actor: Actor, kind: str, record_id: int
) -> str:
    """Take a record back; it stays in the history with the reason."""
    record = record_of(order, kind, record_id)
    withdraw.withdraw(actor, order.pk, record, reason=request.POST.get("reason", ""))
    chain.refresh([order.vehicle_id], actor.now)
    return f"Taken back: {record}."


@_entry
def approve_substitute(request: SignedIn, order: WorkOrder, actor: Actor) -> str:
    """Let a product stand in for the listed ones, for this order's job or always."""
    given = request.POST
    jobs = order.jobs.exclude(service=None).select_related("service__compartment", "order")
    job = get_object_or_404(jobs, pk=_number(given.get("job", "")))
    product = Product.objects.filter(slug=given.get("product", "")).first()
    if product is None or job.service is None:
        raise Fault("Choose the product that may stand in.")
    place: Compartment = job.service.compartment
    always = given.get("how_long") == "always"
    fluids_in.approve_substitute(
        actor,
        compartment=place,
        product=product,
        reason=given.get("reason", ""),
        source=given.get("source", ""),
        depot_id=order.depot_id,
        job=None if always else job,
    )
    return f"{product} may go into {place.name} {'always' if always else 'on this order'}."


@_entry
def withdraw_substitute(
    request: SignedIn, order: WorkOrder, actor: Actor, substitute_id: int
) -> str:
    """End the leave for a substitute."""
    row = get_object_or_404(substitutes_of(order), pk=substitute_id)
    fluids_in.withdraw_substitute(actor, row, order.depot_id)
    return f"{row.product} is no substitute any more."


def substitutes_of(order: WorkOrder) -> QuerySet[Substitute]:
    """Leaves in force that reach an order: for its jobs, or always for their compartments."""
    jobs = order.jobs.exclude(service=None)
    places = jobs.values("service__compartment")
    always = Q(job=None, compartment__in=places)
    rows = Substitute.objects.filter(always | Q(job__in=jobs.values("pk")), withdrawn_at=None)
    return rows.select_related("product", "compartment", "person", "job__order")


def _number(text: str) -> int:
    return int(text[:18]) if text.isdecimal() else 0
