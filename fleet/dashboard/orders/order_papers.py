"""What belongs to an order besides its states: papers, records taken back, substitutes."""

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET

from fleet import chain
from fleet.dashboard.acts import act
from fleet.dashboard.frame import SignedIn, needs
from fleet.dashboard.orders.kept import record_of
from fleet.dashboard.orders.lines import order_seen_by
from fleet.dashboard.whole_numbers import whole_number
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment
from fleet.workorders import fluids_in, papers, withdraw
from fleet.workorders.listing import service_jobs
from fleet.workorders.models import Finding


def _order(request: SignedIn, number: str, **_: str | int) -> HttpResponse:
    page = "job-card" if request.POST.get("page") == "job-card" else "work-order"
    return redirect(page, number)


@act(_order)
def add_papers(request: SignedIn, actor: Actor, number: str) -> str:
    """Keep the document of an outside workshop."""
    order = order_seen_by(request.user, number)
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


@act(_order)
def withdraw_record(request: SignedIn, actor: Actor, number: str, kind: str, record_id: int) -> str:
    """Take a record back; it stays in the history with the reason."""
    order = order_seen_by(request.user, number)
    record = record_of(order, kind, record_id)
    reason, also = request.POST.get("reason", ""), request.POST.getlist("also")
    if isinstance(record, Finding):
        withdraw.withdraw_finding(actor, record, reason=reason, also=also)
    else:
        withdraw.withdraw(actor, order.pk, record, reason=reason, also=also)
    chain.refresh([order.vehicle_id], actor.now)
    return f"Taken back: {record}."


@needs(Right.APPROVE_SUBSTITUTE)
@act(_order)
def approve_substitute(request: SignedIn, actor: Actor, number: str) -> str:
    """Let a product stand in for the listed ones, for this order's job or always."""
    order = order_seen_by(request.user, number)
    given = request.POST
    job = get_object_or_404(service_jobs(order.pk), pk=whole_number(given.get("job", "")))
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


@act(_order)
def withdraw_substitute(request: SignedIn, actor: Actor, number: str, substitute_id: int) -> str:
    """End the leave for a substitute."""
    order = order_seen_by(request.user, number)
    row = get_object_or_404(fluids_in.substitutes_of(order.pk), pk=substitute_id)
    fluids_in.withdraw_substitute(actor, row, order.depot_id)
    return f"{row.product} is no substitute any more."
