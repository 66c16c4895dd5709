"""What a mechanic records at the vehicle: torque, fluids, materials, notes, measured values.

Every record is an added row under the sender's key: sent twice it is there once. Records are taken
until the order is signed off.
"""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import QuerySet

from fleet.calc.guards import Ask, litres_question, torque_question
from fleet.due.record import record_fill, record_top_up
from fleet.faults import Fault, Question, Refused
from fleet.people.roles import Right
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment
from fleet.workorders import booking, findings
from fleet.workorders.actor import Actor
from fleet.workorders.fluids_in import acceptance
from fleet.workorders.keys import known
from fleet.workorders.models import (
    Fastener,
    Finding,
    FluidRecord,
    Job,
    MaterialUsed,
    Note,
    Procedure,
    TorqueRecord,
    WorkOrder,
    Wrench,
)

OPEN_FOR_RECORDS = (WorkOrder.State.STARTED, WorkOrder.State.WAITING, WorkOrder.State.FINISHED)
LITTLE_DRAINED, MUCH_DRAINED = 0.80, 1.10  # shares of the refill; our choice
ODD_LOOKS = ("milky", "metal", "fuel")


@dataclass(frozen=True)
class Poured:
    """A recorded fluid, what it raised, and what the program proposes to report."""

    record: FluidRecord
    raised: Finding | None
    proposals: tuple[str, ...]


@transaction.atomic
def torque(
    actor: Actor,
    job_id: int,
    *,
    fastener: str,
    client_key: str,
    torque_nm: float | None = None,
    typed_text: str = "",
    wrench: str = "",
    override_reason: str = "",
) -> TorqueRecord:
    """Record a fastener as tightened: to the figure by one tap, or to a typed value.

    Raises
    ------
    Question
        The value lies outside its tolerance; with a reason it goes through.
    Fault
        No such fastener or wrench, or the order takes no more records.
    """
    typed = {"to_the_figure": True} if torque_nm is None else {"torque_nm": torque_nm}
    row: TorqueRecord | None = known(
        TorqueRecord.objects, client_key, job_id=job_id, fastener=fastener, **typed
    )
    if row is not None:
        return row
    job = _job(actor, job_id)
    figure = _fastener(job, fastener)
    ask = None
    if torque_nm is not None:
        ask = _torque_question(torque_nm, figure, typed_text)
        _ask(ask, override_reason, "torque_nm")
    given = {
        **_stamp(actor, client_key),
        "job": job,
        "fastener": figure.slug,
        "fastener_name": figure.name,
        "reference_nm": figure.torque_nm,
        "torque_nm": figure.torque_nm if torque_nm is None else torque_nm,
        "to_the_figure": torque_nm is None,
        "wrench": _wrench(job, wrench),
        "question": ask.text if ask else "",
        "override_reason": override_reason if ask else "",
    }
    return TorqueRecord.objects.get_or_create(client_key=client_key, defaults=given)[0]


def _torque_question(torque_nm: float, figure: Fastener, typed_text: str) -> Ask | None:
    try:
        return torque_question(
            torque_nm,
            figure.torque_nm,
            reference_max_nm=figure.torque_max_nm,
            stated_unit=figure.stated_unit,
            tolerance=figure.tolerance,
            typed_text=typed_text,
        )
    except ValueError as error:
        raise Fault(f"{figure.name}: {error}.", about="torque_nm") from error


def _fastener(job: Job, slug: str) -> Fastener:
    found = _fasteners(job).filter(slug=slug).first()
    if found is None:
        known_as = ", ".join(_fasteners(job).values_list("slug", flat=True)) or "none"
        raise Fault(
            f"The procedure of {job.title} has no fastener {slug!r}; it has {known_as}.",
            about="fastener",
        )
    return found


def _fasteners(job: Job) -> QuerySet[Fastener]:
    return Fastener.objects.filter(procedure__service=job.service).exclude(procedure__service=None)


def _wrench(job: Job, tag: str) -> Wrench | None:
    if not tag.strip():
        return None
    found = Wrench.objects.filter(depot=job.order.depot_id, tag__iexact=tag.strip()).first()
    if found is None:
        raise Fault(
            f"There is no wrench {tag!r} at this depot: enter it first, or leave it out.",
            about="wrench",
        )
    return found


def calibration_warning(record: TorqueRecord) -> str:
    """What to say about a wrench whose calibration had ended; empty: nothing."""
    wrench = record.wrench
    if wrench is None or record.performed_at.date() <= wrench.calibrated_until_on:
        return ""
    return (
        f"The calibration of wrench {wrench.tag} ended on {wrench.calibrated_until_on}: have it "
        "checked, and tighten again with another where it matters."
    )


@transaction.atomic
def fluid(
    actor: Actor,
    job_id: int,
    *,
    way: str,
    litres: float,
    client_key: str,
    compartment: Compartment | None = None,
    look: str = "",
    product: Product | None = None,
    batch: str = "",
    typed_text: str = "",
    override_reason: str = "",
) -> Poured:
    """Record what came out, went in, or was topped up. What was poured in is never refused:
    the wrong fluid raises a finding and *do not use*.

    Raises
    ------
    Question
        The quantity lies outside the refill's tolerance; with a reason it goes through.
    """
    _check_litres(litres)
    ml = round(litres * 1000)
    row: FluidRecord | None = known(
        FluidRecord.objects, client_key, job_id=job_id, way=way, quantity_ml=ml, product=product
    )
    if row is not None:
        return _poured_before(row)
    job = _job(actor, job_id)
    place = _place(job, compartment, way)
    refill_l = _refill_l(job, place)
    ask = _litres_question(way, litres, refill_l, place, typed_text)
    _ask(ask, override_reason, "litres")
    given = {
        **_stamp(actor, client_key),
        "job": job,
        "compartment": place,
        "way": way,
        "quantity_ml": ml,
        "look": look.strip(),
        "product": product,
        "batch": batch.strip(),
        "question": ask.text if ask else "",
        "override_reason": override_reason if ask else "",
    }
    record, new = FluidRecord.objects.get_or_create(client_key=client_key, defaults=given)
    if not new:  # the same record, sent twice at once
        return _poured_before(record)
    booking.follow(actor, job_id)
    return Poured(record, _keep(actor, job, record), _proposals(record, refill_l))


def _check_litres(litres: float) -> None:
    if not 0.0005 < litres < 1e4:  # below half a millilitre nothing is left to keep
        raise Fault("The quantity must be a number of litres above 0.", about="litres")


def _poured_before(record: FluidRecord) -> Poured:
    """What a record that came again was answered with."""
    raised = Finding.objects.filter(client_key=_wrong_fluid_key(record)).first()
    return Poured(record, raised, _proposals(record, _refill_l(record.job, record.compartment)))


def _wrong_fluid_key(record: FluidRecord) -> str:
    return f"wrong-fluid-{record.pk}"


def _place(job: Job, compartment: Compartment | None, way: str) -> Compartment:
    if way not in FluidRecord.Way.values:
        raise Fault("Say whether it was drained, filled or topped up.", about="way")
    place = compartment or (job.service.compartment if job.service else None)
    if place is None:
        raise Fault(f"Say which compartment: {job.title} has none.", about="compartment")
    return place


def _refill_l(job: Job, place: Compartment) -> float | None:
    procedure = Procedure.objects.filter(service=job.service).first()
    if procedure is not None and procedure.refill_l and job.service is not None:
        return procedure.refill_l if job.service.compartment_id == place.pk else None
    return place.service_refill_l


def _litres_question(
    way: str, litres: float, refill_l: float | None, place: Compartment, typed_text: str
) -> Ask | None:
    if way != FluidRecord.Way.IN or refill_l is None:
        return None
    return litres_question(litres, refill_l, dry_fill_l=place.dry_fill_l, typed_text=typed_text)


def _keep(actor: Actor, job: Job, record: FluidRecord) -> Finding | None:
    """Keep the fill or top-up; raise the wrong fluid."""
    vehicle, order = job.order.vehicle, job.order
    on = actor.at.astimezone(ZoneInfo(order.depot.zone)).date()
    if record.way == FluidRecord.Way.OUT:
        return None
    if record.way == FluidRecord.Way.IN:
        record_fill(
            vehicle=vehicle,
            compartment=record.compartment,
            filled_on=on,
            product=record.product,
            quantity_ml=record.quantity_ml,
            source=f"work order {order}",
        )
    else:
        record_top_up(
            vehicle=vehicle,
            compartment=record.compartment,
            topped_up_at=actor.at,
            quantity_ml=record.quantity_ml,
            source=f"work order {order}",
            client_key=record.client_key,
            product=record.product,
        )
    if record.product is None:
        return None
    found = acceptance(record.compartment, record.product, job)
    if found.accepted:
        return None
    return findings.report(
        actor,
        vehicle=vehicle,
        kind=Finding.Kind.WRONG_FLUID,
        severity=Finding.Severity.BEFORE_USE,
        text=found.why[:500],
        client_key=_wrong_fluid_key(record),
        compartment=record.compartment,
        order=order,
    )


def _proposals(record: FluidRecord, refill_l: float | None) -> tuple[str, ...]:
    """What is worth reporting about a fluid that came out."""
    if record.way != FluidRecord.Way.OUT:
        return ()
    found = [f"It looked {word}." for word in ODD_LOOKS if word in record.look.lower()]
    share = record.quantity_ml / 1000 / refill_l if refill_l else 1.0
    if not LITTLE_DRAINED <= share <= MUCH_DRAINED:
        found.append(f"{record.quantity_ml / 1000:g} L came out, {share:.0%} of the refill.")
    return tuple(found)


@transaction.atomic
def material(
    actor: Actor,
    job_id: int,
    *,
    name: str,
    client_key: str,
    pieces: int | None = None,
    litres: float | None = None,
    broken: bool = False,
) -> MaterialUsed:
    """Record a part or spare used, such as a clip that broke."""
    if not name.strip() or (pieces is None) == (litres is None):
        raise Fault("Name what was used, and give either pieces or litres.", about="pieces")
    if litres is not None:
        _check_litres(litres)
    used = {
        "name": name.strip(),
        "pieces": pieces,
        "quantity_ml": None if litres is None else round(litres * 1000),
        "broken": broken,
    }
    row: MaterialUsed | None = known(MaterialUsed.objects, client_key, job_id=job_id, **used)
    if row is not None:
        return row
    given = {**_stamp(actor, client_key), "job": _job(actor, job_id), **used}
    row, _ = MaterialUsed.objects.get_or_create(client_key=client_key, defaults=given)
    booking.follow(actor, job_id)
    return row


@transaction.atomic
def note(actor: Actor, order_id: int, *, text: str, client_key: str) -> Note:
    """Add a note to an order."""
    if not text.strip():
        raise Fault("The note is empty.", about="text")
    row: Note | None = known(Note.objects, client_key, order_id=order_id, text=text.strip())
    if row is not None:
        return row
    order = open_order(actor, order_id)
    given = {**_stamp(actor, client_key), "order": order, "text": text.strip()}
    return Note.objects.get_or_create(client_key=client_key, defaults=given)[0]


def _stamp(actor: Actor, client_key: str) -> dict[str, object]:
    return {
        "client_key": client_key,
        "person": actor.person,
        "channel": actor.channel,
        "performed_at": actor.at,
    }


def _ask(ask: Ask | None, override_reason: str, about: str) -> None:
    if ask is not None and not override_reason.strip():
        slips = [f"{slip.meant:.4g}: {slip.words}" for slip in ask.slips]
        raise Question(ask.text, slips, about=about)


def _job(actor: Actor, job_id: int) -> Job:
    job = (
        Job.objects.select_related("order__vehicle", "order__depot", "service__compartment")
        .filter(pk=job_id)
        .first()
    )
    if job is None:
        raise Fault(f"There is no job {job_id}.")
    order = open_order(actor, job.order_id)
    if order.where == WorkOrder.Where.OUTSIDE:
        raise Refused(
            f"{order} was done by an outside workshop: keep its papers with it; torque, fluids "
            "and materials are recorded for work of our own only."
        )
    return job


def open_order(actor: Actor, order_id: int) -> WorkOrder:
    """An order that still takes records; it is not signed off before the transaction ends.

    Raises
    ------
    Refused
        It has not been started, or is signed off or cancelled.
    """
    order = WorkOrder.objects.select_for_update(no_key=True).filter(pk=order_id).first()
    if order is None:
        raise Fault(f"There is no work order {order_id}.")
    actor.must(Right.RECORD_WORK, order.depot_id)
    if order.state not in OPEN_FOR_RECORDS:
        raise Refused(f"{order} is {order.state}: records are taken from start to sign-off.")
    return order
