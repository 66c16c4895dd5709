"""What is recorded at the vehicle, as a form or the queue of a phone sends it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import IO

from django.http import QueryDict
from django.utils.dateparse import parse_datetime

from fleet.dashboard.orders import confirms, typed_torques
from fleet.dashboard.orders.changes import read_number
from fleet.dashboard.shown_units import as_typed, torque
from fleet.dashboard.whole_numbers import whole_number
from fleet.dashboard.words import plain
from fleet.due.models import CheckFigure
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.stores.models import Product
from fleet.units import UnitError, number
from fleet.vehicles.models import Compartment
from fleet.workorders import checks, findings, fluids, late, photos, recording, torques
from fleet.workorders.findings import Report
from fleet.workorders.fluids import Pouring
from fleet.workorders.makers_figure import MakersFigure
from fleet.workorders.models import (
    Job,
    WorkOrder,
)
from fleet.workorders.quantities import decimal_mark
from fleet.workorders.torques import Tightened

TYPED = ("torque", "litres", "value", "pieces")  # what a question may be about
ASKED_VALUE = "asked_value"  # what it was about, sent along with the answer


@dataclass(frozen=True)
class Sent:
    """One record on its way in."""

    actor: Actor
    order: WorkOrder
    given: QueryDict
    photo: IO[bytes] | None

    def text(self, name: str) -> str:
        return self.given.get(name, "").strip()

    def reason(self) -> str:
        """Why a value stands that was asked about; another value is asked about on its own."""
        asked, reason = self.text(ASKED_VALUE), self.text("override_reason")
        same = not asked or any(self.text(name) == asked for name in TYPED)
        return reason if same else ""

    def job(self) -> Job:
        pk = self.text("job")
        found = self.order.jobs.filter(pk=whole_number(pk)).first()
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
    return _noted_instead(sent) or kind(sent)


def _noted_instead(sent: Sent) -> str:
    """Where the order was cancelled meanwhile: the record as a note; empty: it goes as it is."""
    if sent.text("kind") in KEPT_WHEN_CANCELLED:
        return ""
    given = {name: value for name, value in sent.given.items() if name not in NO_WORDS}
    given |= {name: _typed_torque(sent, name) for name in TORQUES if sent.text(name)}
    note = late.as_note(
        sent.actor,
        sent.order.pk,
        kind=sent.text("kind"),
        given=given,
        client_key=sent.text("client_key"),
    )
    return f"{sent.order} was cancelled meanwhile: kept as a note." if note else ""


def _torque(sent: Sent) -> str:
    typed = _typed_torque(sent, "torque")  # whichever button it came with
    if not typed and not sent.text("whole"):
        raise Fault("Type the torque, or tap the button with the figure.")
    record = torques.torque(
        sent.actor,
        sent.job().pk,
        Tightened(
            fastener=sent.text("fastener"),
            from_maker=None if sent.text("fastener") else _makers_figure(sent),
            point=sent.text("point"),
            client_key=sent.text("client_key"),
            torque_nm=typed_torques.in_nm(typed) if typed else None,
            typed_text=typed,
            figure_tapped=bool(sent.text("whole")),
            wrench=sent.text("wrench"),
            override_reason=sent.reason(),
        ),
    )
    wrench = f"wrench {record.wrench}" if record.wrench else "no wrench noted"
    typed = as_typed(record.typed, record.torque_nm)
    return f"{record.fastener_name}: {torque(record.torque_nm)}{typed}, {wrench}."


def _makers_figure(sent: Sent) -> MakersFigure:
    """A fastener in words, and what the maker's book says of it."""
    figure, top = _typed_torque(sent, "figure"), _typed_torque(sent, "figure_to")
    if not figure:
        raise Fault("Give the figure of the maker's book.")
    return MakersFigure(
        name=sent.text("name"),
        torque_nm=typed_torques.in_nm(figure),
        torque_max_nm=typed_torques.in_nm(top) if top else None,
        source=sent.text("figure_source"),
    )


def _typed_torque(sent: Sent, name: str) -> str:
    """What a field for a torque holds, with the unit that it was typed in; empty: nothing."""
    typed = sent.text(name)
    return typed_torques.with_unit(typed, typed_torques.shown_unit(sent.text)) if typed else ""


def _fluid(sent: Sent) -> str:
    poured = fluids.fluid(
        sent.actor,
        sent.job().pk,
        Pouring(
            way=sent.text("way"),
            compartment=_compartment(sent),
            quantity=sent.text("litres"),
            keep_quart=bool(sent.text("keep_quart")),
            client_key=sent.text("client_key"),
            look=sent.text("look"),
            product=_product(sent.text("product")),
            batch=sent.text("batch"),
            override_reason=sent.reason(),
        ),
    )
    words = str(poured.record)
    said = [f"{words[0].upper()}{words[1:]}."]
    if poured.raised:
        said.append(f"Wrong fluid: {poured.raised.text} Do not use the vehicle.")
    said += [f"{proposal} Report it as a finding?" for proposal in poured.proposals]
    return " ".join(said)


def _compartment(sent: Sent) -> Compartment | None:
    slug = sent.text("compartment")
    places = Compartment.objects.filter(vehicle_type=sent.order.vehicle.vehicle_type_id)
    return places.filter(slug=slug).first() if slug else None


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
        override_reason=sent.reason(),
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
    picture = photos.decoded(sent.photo.read(photos.MOST_BYTES + 1)) if sent.photo else None
    found = findings.report(
        sent.actor,
        Report(
            vehicle=sent.order.vehicle,
            kind=sent.text("finding"),
            severity=sent.text("severity"),
            text=sent.text("text"),
            client_key=sent.text("client_key"),
            compartment=_compartment(sent),
            order=sent.order,
        ),
    )
    if picture is not None:
        key = f"{sent.text('client_key')[:58]}-photo"
        photos.add(sent.actor, picture, client_key=key, finding=found)
    return f"Finding reported: {found}."


def _value(typed: str, name: str) -> float:
    """A measured value: no thousands, so a comma is its decimal mark."""
    try:
        return number(typed, decimal_mark(typed)).value
    except UnitError as error:
        raise Fault(f"{name}: {error}") from error


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
        value=_value(sent.text("value"), figure.name),
        client_key=sent.text("client_key"),
        override_reason=sent.reason(),
        test_method=sent.text("test_method"),
    )
    return f"{figure.name}: {plain(result.value)} {figure.unit}, {result.outcome}."


def _confirm(sent: Sent) -> str:
    return confirms.keep(sent.actor, sent.job(), sent.text, sent.reason())


KINDS: dict[str, Callable[[Sent], str]] = {
    "torque": _torque,
    "fluid": _fluid,
    "material": _material,
    "note": _note,
    "photo": _photo,
    "finding": _finding,
    "check": _check,
    "confirm": _confirm,
}


KEPT_WHEN_CANCELLED = ("note", "photo", "finding")
NO_WORDS = (
    *("csrfmiddlewaretoken", "client_key", "kind", "job", "person", "performed_at"),
    *("override_reason", ASKED_VALUE, typed_torques.UNIT_FIELD),
)
TORQUES = ("torque", "figure", "figure_to")
