"""Fluids as recorded at the vehicle: what came out, went in, was topped up, and what follows."""

from dataclasses import dataclass, replace
from datetime import timedelta

from django.db import transaction
from django.db.models import Exists, OuterRef

from fleet.calc.slips import Ask, litres_question
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.reads import Read, Rows, prepared, reader
from fleet.stores.models import Product
from fleet.units import percent
from fleet.vehicles.models import Compartment, Depot
from fleet.workorders import booking, findings, keep_fill, quantities
from fleet.workorders.findings import Report
from fleet.workorders.fluids_in import Acceptance, acceptance, choices
from fleet.workorders.keys import keep, known
from fleet.workorders.makers_figure import name_compartment
from fleet.workorders.models import Finding, FluidRecord, Job, Procedure, WorkOrder
from fleet.workorders.points import cure_question
from fleet.workorders.quantities import Quantity
from fleet.workorders.recording import (
    Doubt,
    again,
    check_litres,
    doubt_of,
    doubts_kept,
    job_to_record,
    stamp,
)

LITTLE_DRAINED, MUCH_DRAINED = 0.80, 1.10  # shares of the refill; our choice
BEYOND = 0.50  # share above what fits that is asked about when it came out; our choice
MOMENTS = timedelta(minutes=3)  # nobody empties one can and opens the next; our choice
ODD_LOOKS = ("milky", "metal", "fuel")


@dataclass(frozen=True)
class Poured:
    """A recorded fluid, what it raised, and what the program proposes to report."""

    record: FluidRecord
    raised: Finding | None
    proposals: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Pouring:
    """Fluid as somebody let it out, filled it in or topped it up."""

    way: str  # of FluidRecord.Way
    client_key: str
    litres: float | None = None  # this, or
    quantity: str = ""  # text that may carry a unit
    keep_quart: bool = False  # keep for the depot which quart the quantity says
    compartment: Compartment | None = None  # by default that of the job
    look: str = ""  # of what came out
    product: Product | None = None
    batch: str = ""
    typed_text: str = ""  # the litres as typed; alone it is the quantity
    override_reason: str = ""


@transaction.atomic
def fluid(actor: Actor, job_id: int, pouring: Pouring) -> Poured:
    """Record what came out, went in, or was topped up. What was poured in is never refused: a
    fluid that is not accepted is asked about first, then raises a finding and *do not use*.

    Raises
    ------
    Question
        The job's running total is more than the compartment takes, the product is not accepted
        there, or the same person recorded just this a moment before: with a reason it goes
        through. Or a bare quart may be US or imperial: give the quantity again with the word.
    """
    if pouring.litres is None and not pouring.quantity.strip():
        pouring = replace(pouring, quantity=pouring.typed_text)
    way, product, key = pouring.way, pouring.product, pouring.client_key
    taken = _taken(actor, job_id, pouring)
    ml = round(taken.litres * 1000)
    row: FluidRecord | None = known(
        FluidRecord.objects, key, job_id=job_id, way=way, quantity_ml=ml, product=product
    )
    if row is not None:
        return _poured_before(row)
    job = job_to_record(actor, job_id)
    place = _place(job, pouring.compartment, way)
    name_compartment(actor, job, place)
    refill_l = _refill_l(job, place)
    ask = _too_much(job, way, taken, refill_l, place, pouring.typed_text)
    if ask is None and way == FluidRecord.Way.IN:
        ask = cure_question(job, actor.at)
    made = {"compartment": place, "way": way, "quantity_ml": ml, "product": product}
    fit = _fit(job, place, product, way)
    doubts = [
        *_product_doubt(job, place, product, fit),
        *doubt_of(ask, "quantity" if pouring.quantity else "litres"),
        *_at_once_again(actor, job, made, key),
    ]
    given = {
        **stamp(actor, key),
        **made,
        **doubts_kept(doubts, pouring.override_reason),
        "job": job,
        "typed": taken.typed[:40],
        "look": pouring.look.strip(),
        "batch": pouring.batch.strip(),
    }
    record, new = keep(FluidRecord.objects, key, given)
    if not new:  # the same record, sent twice at once
        return _poured_before(record)
    booking.follow(actor, job_id)
    keep_fill.follow(job, place)
    raised = None if fit is None or fit.accepted else _raise_wrong(actor, job, record, fit.why)
    return Poured(record, raised, _proposals(record, refill_l))


def _taken(actor: Actor, job_id: int, pouring: Pouring) -> Quantity:
    quantity = pouring.quantity
    if (pouring.litres is None) == (not quantity.strip()):
        raise Fault("Give the quantity either as litres or as text with its unit.", about="litres")
    if pouring.litres is not None:
        taken = Quantity(pouring.litres, "", "")
    else:
        depot = Depot.objects.filter(work_orders__jobs=job_id).first()
        if depot is None:
            raise Fault(f"There is no job {job_id}.")
        if pouring.keep_quart:
            quantities.keep_quart(actor, depot, quantity)
        taken = quantities.read_quantity(quantity, depot)
    check_litres(taken.litres)
    return taken


def _poured_before(record: FluidRecord) -> Poured:
    """What a record that came again was answered with."""
    raised = Finding.objects.filter(client_key=_wrong_fluid_key(record)).first()
    return Poured(record, raised, _proposals(record, _refill_l(record.job, record.compartment)))


def _wrong_fluid_key(record: FluidRecord) -> str:
    return f"wrong-fluid-{record.pk}"


def _place(job: Job, compartment: Compartment | None, way: str) -> Compartment:
    if way not in FluidRecord.Way.values:
        raise Fault("Say whether it was drained, filled or topped up.", about="way")
    place = compartment or job.place
    if place is None:
        raise Fault(f"Say which compartment: {job.title} has none.", about="compartment")
    return place


def _refill_l(job: Job, place: Compartment) -> float | None:
    procedure = getattr(job.service, "procedure", None)
    if procedure is not None and procedure.refill_l and job.service is not None:
        return procedure.refill_l if job.service.compartment_id == place.pk else None
    return place.service_refill_l


def _too_much(
    job: Job,
    way: str,
    taken: Quantity,
    refill_l: float | None,
    place: Compartment,
    typed_text: str,
) -> Ask | None:
    """Ask where the job's total is more than fits; too little waits for *done*."""
    if refill_l is None:
        return None
    before, typed = keep_fill.totals(job, place), taken.digits or typed_text
    drained_l, in_l = before.drained_ml / 1000, before.in_ml / 1000
    if way == FluidRecord.Way.OUT:
        most_l = max(refill_l, place.dry_fill_l or 0.0) + in_l
        ask = litres_question(
            *(taken.litres, most_l), already_l=drained_l, low=1.0, high=BEYOND, typed_text=typed
        )
        in_all = f", {drained_l + taken.litres:g} L in all" if drained_l else ""
        known = f"the {place.name.lower()} holds {most_l:g} L as far as is known"
        text = f"{taken.litres:g} L{in_all} came out, but {known}. Is that right?"
        return None if ask is None else replace(ask, text=text)
    return litres_question(
        taken.litres,
        max(refill_l, drained_l),  # drained and filled a second time, it takes as much again
        already_l=in_l,
        dry_fill_l=place.dry_fill_l,
        low=1.0,
        high=_tolerance_high(job),
        typed_text=typed,
    )


def _fit(job: Job, place: Compartment, product: Product | None, way: str) -> Acceptance | None:
    """Whether what goes in is accepted there; what came out may be anything."""
    if product is None or way == FluidRecord.Way.OUT:
        return None
    return acceptance(place, product, job)


def _product_doubt(
    job: Job, place: Compartment, product: Product | None, found: Acceptance | None
) -> list[Doubt]:
    """Doubt a product that goes where it is not accepted."""
    if found is None or found.accepted:
        return []
    text = f"{product} is not accepted in the {place.name.lower()}. Was it really poured in?"
    fit = tuple(f"{one.slug}: {one}" for one in choices(place, job).accepted)
    return [Doubt(text, fit, about="product", yes="it was really poured in")]


def _at_once_again(actor: Actor, job: Job, made: dict[str, object], key: str) -> list[Doubt]:
    """Doubt the same quantity once more within moments; a can later, another may follow."""
    since = actor.at - MOMENTS
    same = job.fluids.filter(performed_at__gte=since, performed_at__lte=actor.at, **made)
    return again(actor, same, job.order.depot.zone, key)


def _tolerance_high(job: Job) -> float:
    procedure = getattr(job.service, "procedure", None) or Procedure()
    return float(procedure.refill_tolerance_high)


def _raise_wrong(actor: Actor, job: Job, record: FluidRecord, why: str) -> Finding:
    vehicle, order = job.order.vehicle, job.order
    return findings.report(
        actor,
        Report(
            vehicle=vehicle,
            kind=Finding.Kind.WRONG_FLUID,
            severity=Finding.Severity.BEFORE_USE,
            text=why[:500],
            client_key=_wrong_fluid_key(record),
            compartment=record.compartment,
            order=order,
            fluid=record,
        ),
    )


def odd_looks(record: FluidRecord) -> list[str]:
    return [word for word in ODD_LOOKS if word in record.look.lower()]


@reader
def odd_untold(order: WorkOrder) -> Read[dict[int, list[FluidRecord]]]:
    """By job, fluid that looked odd and of which no finding tells yet."""
    rows = _untold(order.pk)
    yield [rows]
    found: dict[int, list[FluidRecord]] = {}
    for row in rows:
        if odd_looks(row):
            found.setdefault(row.job_id, []).append(row)
    return found


@prepared
def _untold(order_id: int) -> Rows:
    told = Finding.objects.filter(
        order=order_id,
        kind=Finding.Kind.LOOK_OF_FLUID,
        withdrawn_by=None,
        compartment=OuterRef("compartment"),
    )
    rows = FluidRecord.objects.filter(
        ~Exists(told), job__order=order_id, way=FluidRecord.Way.OUT, withdrawn_by=None
    )
    return rows.select_related("compartment")


def _proposals(record: FluidRecord, refill_l: float | None) -> tuple[str, ...]:
    """What is worth reporting about a fluid that came out."""
    if record.way != FluidRecord.Way.OUT:
        return ()
    found = [f"It looked {word}." for word in odd_looks(record)]
    drained_l = keep_fill.totals(record.job, record.compartment).drained_ml / 1000
    share = round(drained_l / refill_l, 3) if refill_l else 1.0
    if not LITTLE_DRAINED <= share <= MUCH_DRAINED:
        found.append(f"{drained_l:g} L came out, {percent(share)} of the refill.")
    return tuple(found)
