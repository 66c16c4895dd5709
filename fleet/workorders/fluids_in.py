"""Which products a compartment accepts: by listed specification and grade, no other measure."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Read, Rows, ask, lay_beside, prepared, reader
from fleet.stores.models import AcceptedFluid, Product, ProductClaim
from fleet.vehicles.models import Compartment
from fleet.workorders.events import note_event
from fleet.workorders.listing import service_jobs
from fleet.workorders.models import Job, Substitute

Place = tuple[int | None, int | None]  # ids of a compartment and of a job there


@dataclass(frozen=True)
class Acceptance:
    """Whether a product may go into a compartment, and on what grounds."""

    accepted: bool
    why: str


def acceptance(compartment: Compartment, product: Product, job: Job | None = None) -> Acceptance:
    """Say whether a compartment's list accepts a product, or a substitute was approved."""
    listed = list(
        AcceptedFluid.objects.filter(compartment=compartment).select_related("specification")
    )
    claims = set(product.claims.values_list("specification_id", flat=True))
    for fluid in listed:
        if fluid.specification_id in claims and fluid.grade in ("", product.grade):
            return Acceptance(True, f"{product} claims {fluid} ({fluid.source}).")
    substitute = _substitute(compartment, product, job)
    if substitute is not None:
        return Acceptance(
            True, f"approved by {substitute.person}: {substitute.reason} ({substitute.source})"
        )
    wanted = ", ".join(str(fluid) for fluid in listed) or "nothing is listed"
    return Acceptance(False, f"{compartment.name} accepts {wanted}; {product} claims none of it.")


def _substitute(compartment: Compartment, product: Product, job: Job | None) -> Substitute | None:
    rows = _standing(compartment, job).filter(product=product)
    return rows.select_related("person").first()


def _standing(compartment: Compartment, job: Job | None) -> QuerySet[Substitute]:
    return standing_substitutes().filter(Q(job=None) | Q(job=job), compartment=compartment)


def standing_substitutes() -> QuerySet[Substitute]:
    """Leaves for a substitute that nobody has ended."""
    return Substitute.objects.filter(withdrawn_at=None)


def substitutes_of(order_id: int) -> QuerySet[Substitute]:
    """Those that reach an order: for its jobs, or always for their compartments."""
    jobs = service_jobs(order_id)
    always = Q(job=None, compartment__in=jobs.values("service__compartment"))
    rows = standing_substitutes().filter(always | Q(job__in=jobs.values("pk")))
    return rows.select_related("product", "compartment", "person", "job__order")


substitutes_on = prepared(substitutes_of)


@prepared
def products_by_name() -> Rows:
    """Every product."""
    return Product.objects.order_by("name")


def refuse_unaccepted(compartment: Compartment, product: Product, job: Job | None = None) -> None:
    """Refuse to plan or issue what a compartment does not accept.

    Raises
    ------
    Fault
        With what the compartment accepts, and the way to a substitute.
    """
    found = acceptance(compartment, product, job)
    if not found.accepted:
        raise Fault(f"{found.why} A supervisor may approve a substitute, with reason and source.")


def approve_substitute(
    actor: Actor,
    *,
    compartment: Compartment,
    product: Product,
    reason: str,
    source: str,
    depot_id: int,
    job: Job | None = None,
) -> Substitute:
    """Let a product stand in, for one job or always; with a job its order keeps an event."""
    actor.must(Right.APPROVE_SUBSTITUTE, depot_id)
    if actor.person is None or not reason.strip() or not source.strip():
        raise Fault("A substitute needs a person, a reason and the source that allows it.")
    with transaction.atomic():
        row = Substitute.objects.create(
            compartment=compartment,
            product=product,
            job=job,
            reason=reason.strip()[:300],
            source=source.strip()[:300],
            person=actor.person,
        )
        if job is not None:
            note_event(actor, job.order, "approve substitute", job=job, reason=str(row)[:300])
    return row


def withdraw_substitute(actor: Actor, substitute: Substitute, depot_id: int) -> Substitute:
    """End a leave given before; what was poured in under it stays as it was recorded."""
    actor.must(Right.APPROVE_SUBSTITUTE, depot_id)
    if not standing_substitutes().filter(pk=substitute.pk).update(withdrawn_at=actor.at):
        raise Refused("This substitute was taken back already.")
    if substitute.job is not None:
        note_event(
            actor,
            substitute.job.order,
            "withdraw substitute",
            job=substitute.job,
            reason=str(substitute)[:300],
        )
    substitute.refresh_from_db()
    return substitute


@dataclass(frozen=True)
class Choice:
    """Products for one compartment: those it accepts first."""

    accepted: tuple[Product, ...]
    others: tuple[Product, ...]


def choices(compartment: Compartment, job: Job | None = None) -> Choice:
    """Every product, split by whether the compartment accepts it, for a job or at all."""
    place = compartment.pk, job.pk if job else None
    return ask(_split([place]))[place]


@reader
def choices_of_jobs(jobs: Sequence[Job]) -> Read[dict[int, Choice]]:
    """The same for many jobs, by job; without a compartment every product is among the others."""
    places = {job.pk: (job.place.pk if job.place else None, job.pk) for job in jobs}
    found = yield from _split(places.values())
    return {pk: found[place] for pk, place in places.items()}


def _split(places: Collection[Place]) -> Read[dict[Place, Choice]]:
    """One query, however many they are."""
    compartments = {compartment for compartment, _ in places}
    listed: dict[int | None, list[tuple[int, str]]] = defaultdict(list)
    accepting = AcceptedFluid.objects.filter(compartment__in=compartments - {None})
    fits = accepting.values_list("compartment", "specification", "grade")
    for_these = Q(job=None) | Q(job__in={job for _, job in places} - {None})
    leaves = standing_substitutes().filter(for_these, compartment__in=compartments - {None})
    left = leaves.values_list("compartment", "job", "product")
    products, claims = Product.objects.order_by("name"), ProductClaim.objects.all()
    yield [fits, left, products, claims]
    for place, wanted, grade in fits:
        listed[place].append((wanted, grade))
    by_product: dict[int, list[ProductClaim]] = defaultdict(list)
    for claim in claims:
        by_product[claim.product_id].append(claim)
    for product in products:
        lay_beside(product, "claims", by_product[product.pk])
    return {one: _choice(one, listed[one[0]], set(left), list(products)) for one in places}


def _choice(
    place: Place,
    wanted: Sequence[tuple[int, str]],
    given: Collection[tuple[int, int | None, int]],
    products: Sequence[Product],
) -> Choice:
    compartment, job = place
    accepted: list[Product] = []
    others: list[Product] = []
    for product in products:
        claims = {claim.specification_id for claim in product.claims.all()}
        fits = any(pk in claims and grade in ("", product.grade) for pk, grade in wanted)
        left = any((compartment, whose, product.pk) in given for whose in (None, job))
        (accepted if fits or left else others).append(product)
    return Choice(tuple(accepted), tuple(others))
