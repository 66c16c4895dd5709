"""Which products a compartment accepts: by listed specification and grade, no other measure."""

from dataclasses import dataclass

from django.db.models import Q

from fleet.faults import Fault
from fleet.people.roles import Right
from fleet.stores.models import AcceptedFluid, Product
from fleet.vehicles.models import Compartment
from fleet.workorders.actor import Actor
from fleet.workorders.models import Job, Substitute


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
    for_this = Q(job=None) if job is None else Q(job=None) | Q(job=job)
    rows = Substitute.objects.filter(
        for_this, compartment=compartment, product=product, withdrawn_at=None
    )
    return rows.select_related("person").first()


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
    """Let a product stand in, for one job or always."""
    actor.must(Right.APPROVE_SUBSTITUTE, depot_id)
    if actor.person is None or not reason.strip() or not source.strip():
        raise Fault("A substitute needs a person, a reason and the source that allows it.")
    return Substitute.objects.create(
        compartment=compartment,
        product=product,
        job=job,
        reason=reason.strip(),
        source=source.strip(),
        person=actor.person,
    )
