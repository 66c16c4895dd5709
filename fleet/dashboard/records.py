"""What is recorded at the vehicle, as a form or the queue of a phone sends it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import IO

from django.http import Http404, QueryDict
from django.utils.dateparse import parse_datetime

from fleet.dashboard.order_changes import read_number
from fleet.dashboard.words import torque
from fleet.due.models import CheckFigure, CheckResult
from fleet.faults import Fault
from fleet.stores.models import Product
from fleet.units import UnitError, torque_nm
from fleet.vehicles.models import Compartment
from fleet.workorders import checks, findings, photos, recording
from fleet.workorders.actor import Actor
from fleet.workorders.models import (
    FluidRecord,
    Job,
    MaterialUsed,
    Note,
    Photo,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.models.records import Record


@dataclass(frozen=True)
class Sent:
    """One record on its way in."""

    actor: Actor
    order: WorkOrder
    given: QueryDict
    photo: IO[bytes] | None

    def text(self, name: str) -> str:
        return self.given.get(name, "").strip()

    def job(self) -> Job:
        pk = self.text("job")
        found = self.order.jobs.filter(pk=int(pk)).first() if pk.isdecimal() else None
        if found is None:
            raise Fault(f"{self.order} has no such job: load the card again.")
        return found


def performed_at(text: str, now: datetime) -> datetime:
    """When a phone says it was done; a clock that runs ahead is not believed."""
    try:
        at = parse_datetime(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        return now
    return min(at, now)


def keep(sent: Sent) -> str:
    """Keep one record and say so in words.

    Raises
    ------
    Question
        A value lies outside its tolerance; with ``override_reason`` it goes through.
    Fault
        It cannot be kept.
    """
    kind = KINDS.get(sent.text("kind"))
    if kind is None:
        raise Fault("Load the card again: this form is not complete.")
    return kind(sent)


def _torque(sent: Sent) -> str:
    typed = "" if sent.text("whole") else sent.text("torque")
    if not typed and not sent.text("whole"):
        raise Fault("Type the torque, or tap the button with the figure.")
    record = recording.torque(
        sent.actor,
        sent.job().pk,
        fastener=sent.text("fastener"),
        client_key=sent.text("client_key"),
        torque_nm=_torque_nm(typed) if typed else None,
        typed_text=typed,
        wrench=sent.text("wrench"),
        override_reason=sent.text("override_reason"),
    )
    return f"{record.fastener_name}: {torque(record.torque_nm)}."


def _torque_nm(typed: str) -> float:
    """A torque with its unit, or without one in N·m."""
    bare = not any(sign.isalpha() for sign in typed)
    try:
        return torque_nm(f"{typed} N·m" if bare else typed)
    except UnitError as error:
        raise Fault(str(error)) from error


def _fluid(sent: Sent) -> str:
    typed = sent.text("litres")
    poured = recording.fluid(
        sent.actor,
        sent.job().pk,
        way=sent.text("way"),
        litres=read_number(typed, "litres"),
        client_key=sent.text("client_key"),
        look=sent.text("look"),
        product=_product(sent.text("product")),
        batch=sent.text("batch"),
        typed_text=typed,
        override_reason=sent.text("override_reason"),
    )
    said = [f"{poured.record.way.capitalize()} {poured.record.quantity_ml / 1000:g} L."]
    if poured.raised:
        said.append(f"Wrong fluid: {poured.raised.text} Do not use the vehicle.")
    said += [f"{proposal} Report it as a finding?" for proposal in poured.proposals]
    return " ".join(said)


def _product(slug: str) -> Product | None:
    if not slug:
        return None
    found = Product.objects.filter(slug=slug).first()
    if found is None:
        raise Fault("That product is not known: choose one of the list.")
    return found


def _material(sent: Sent) -> str:
    record = recording.material(
        sent.actor,
        sent.job().pk,
        name=sent.text("name"),
        client_key=sent.text("client_key"),
        pieces=round(read_number(sent.text("pieces") or "1", "pieces")),
        broken=bool(sent.text("broken")),
    )
    return f"{record.pieces} × {record.name}{', broken' if record.broken else ''}."


def _note(sent: Sent) -> str:
    recording.note(
        sent.actor, sent.order.pk, text=sent.text("text"), client_key=sent.text("client_key")
    )
    return "Note kept."


def _photo(sent: Sent) -> str:
    if sent.photo is None:
        raise Fault("Take or choose a photo first.")
    photos.add(
        sent.actor,
        sent.photo.read(photos.MOST_BYTES + 1),
        client_key=sent.text("client_key"),
        order=sent.order,
        caption=sent.text("caption"),
    )
    return "Photo kept."


def _finding(sent: Sent) -> str:
    slug = sent.text("compartment")
    places = Compartment.objects.filter(vehicle_type=sent.order.vehicle.vehicle_type_id)
    found = findings.report(
        sent.actor,
        vehicle=sent.order.vehicle,
        kind=sent.text("finding"),
        severity=sent.text("severity"),
        text=sent.text("text"),
        client_key=sent.text("client_key"),
        compartment=places.filter(slug=slug).first() if slug else None,
        order=sent.order,
    )
    return f"Finding reported: {found}."


def _check(sent: Sent) -> str:
    figure = CheckFigure.objects.filter(
        service=sent.job().service, slug=sent.text("figure")
    ).first()
    if figure is None:
        raise Fault("This service has no such figure: load the card again.")
    result = checks.measure(
        sent.actor,
        sent.order,
        figure=figure,
        value=read_number(sent.text("value"), figure.name),
        client_key=sent.text("client_key"),
        test_method=sent.text("test_method"),
    )
    return f"{figure.name}: {result.value:g} {figure.unit}, {result.outcome}."


KINDS: dict[str, Callable[[Sent], str]] = {
    "torque": _torque,
    "fluid": _fluid,
    "material": _material,
    "note": _note,
    "photo": _photo,
    "finding": _finding,
    "check": _check,
}


# --- what was recorded ---------------------------------------------------------------------
@dataclass(frozen=True)
class Kept:
    """One record of an order in words."""

    what: str
    person: str
    at: datetime
    kind: str = ""  # of WITHDRAWABLE; empty: it cannot be taken back
    pk: int = 0
    title: str = ""  # what it belongs to, where the place does not say
    outcome: str = ""  # of a measured value: pass, watch or fail


def kept(order: WorkOrder) -> dict[str, list[Kept]]:
    """Records of an order by where they stand on the card: 'torque-<job>-<fastener>' and so on.

    One query for each kind of record, whatever their number.
    """
    found: dict[str, list[Kept]] = {}
    for place, record, what in [*_of_jobs(order), *_of_order(order)]:
        kind = KIND_OF.get(type(record), "")
        title = record.fastener_name if isinstance(record, TorqueRecord) else ""
        line = Kept(what, str(record.person or ""), record.performed_at, kind, record.pk, title)
        found.setdefault(place, []).append(line)
    for place, line in _measured(order):
        found.setdefault(place, []).append(line)
    return found


def _measured(order: WorkOrder) -> list[tuple[str, Kept]]:
    """What was measured since the order began, by figure."""
    if order.started_at is None:
        return []
    rows = CheckResult.objects.filter(
        vehicle=order.vehicle_id,
        figure__service__in=order.jobs.exclude(service=None).values("service"),
        measured_at__gte=order.started_at,
    )
    if order.signed_off_at is not None:
        rows = rows.filter(measured_at__lte=order.signed_off_at)
    return [
        (
            f"check-{row.figure.pk}",
            Kept(_value_words(row), str(row.person or ""), row.measured_at, outcome=row.outcome),
        )
        for row in rows.select_related("figure", "person").order_by("pk")
    ]


def _value_words(row: CheckResult) -> str:
    said = f"{row.figure.name} {row.value:g} {row.figure.unit}"
    return f"{said}, by {row.test_method}" if row.test_method else said


# what can be taken back, by its word in the address
WITHDRAWABLE: dict[str, tuple[type[Record], str]] = {
    "torque": (TorqueRecord, "job__order"),
    "fluid": (FluidRecord, "job__order"),
    "material": (MaterialUsed, "job__order"),
    "note": (Note, "order"),
    "photo": (Photo, "order"),
}
KIND_OF = {model: kind for kind, (model, _) in WITHDRAWABLE.items()}


def record_of(order: WorkOrder, kind: str, pk: int) -> Record:
    """A record of an order; any other is not found."""
    model, to_order = WITHDRAWABLE.get(kind, (None, ""))
    found = model and model._default_manager.filter(**{to_order: order}, pk=pk).first()
    if not isinstance(found, Record):
        raise Http404
    return found


Place = tuple[str, Record, str]


def _of_jobs(order: WorkOrder) -> list[Place]:
    jobs = order.jobs.prefetch_related(
        "torques__wrench",
        "torques__person",
        "fluids__product",
        "fluids__person",
        "materials_used__person",
    )
    found: list[Place] = []
    for job in jobs:
        found += [
            (f"torque-{job.pk}-{row.fastener}", row, _torque_words(row))
            for row in job.torques.all()
        ]
        found += [
            (f"{_fluid_place(row)}-{job.pk}", row, _fluid_words(row)) for row in job.fluids.all()
        ]
        found += [
            (f"material-{job.pk}", row, f"{row.pieces} × {row.name}{', broken' * row.broken}")
            for row in job.materials_used.all()
        ]
    return [place for place in found if place[1].withdrawn_by_id is None]


def _torque_words(row: TorqueRecord) -> str:
    words = f"{torque(row.torque_nm)}{', to the figure' * row.to_the_figure}"
    words += f", wrench {row.wrench}" if row.wrench else ""
    return f"{words}; it stands, because {row.override_reason}" if row.override_reason else words


def _fluid_place(row: FluidRecord) -> str:
    return "out" if row.way == FluidRecord.Way.OUT else "in"


def _fluid_words(row: FluidRecord) -> str:
    parts = [str(row), row.look, str(row.product or ""), f"batch {row.batch}" if row.batch else ""]
    parts.append(f"it stands, because {row.override_reason}" if row.override_reason else "")
    return ", ".join(part for part in parts if part)


def _of_order(order: WorkOrder) -> list[Place]:
    notes = order.notes.filter(withdrawn_by=None).select_related("person")
    seen = order.findings.filter(withdrawn_by=None).select_related("person")
    found: list[Place] = [("note", row, row.text) for row in notes]
    found += [("finding", row, f"{row} ({row.severity})") for row in seen]
    return found
