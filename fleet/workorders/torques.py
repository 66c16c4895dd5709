"""Torque as tightened at the vehicle: to the figure by one tap, or to a typed value."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from fleet.calc.slips import Ask, torque_question
from fleet.faults import Fault
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.reads import Read, Rows, prepared, reader
from fleet.today import today_at
from fleet.units import UnitError, number, torque_nm, torque_unit
from fleet.workorders.keys import keep, known
from fleet.workorders.makers_figure import MakersFigure, fastener_in_words
from fleet.workorders.models import Fastener, Job, TorqueRecord, WorkOrder, Wrench
from fleet.workorders.quantities import decimal_mark
from fleet.workorders.recording import (
    Doubt,
    again,
    doubt_of,
    doubts_kept,
    job_to_record,
    stamp,
)

AS_SHOWN_NM = 0.05  # values are shown to a tenth


@dataclass(frozen=True, kw_only=True)
class Tightened:
    """A fastener as somebody tightened it: to the figure, or to a torque that they typed."""

    client_key: str
    fastener: str = ""  # of the card; else ``from_maker``
    from_maker: MakersFigure | None = None  # where no card names it
    point: str = ""
    torque_nm: float | None = None  # None: as typed; without a text, to the figure
    typed_text: str = ""  # its decimals say how finely it was read, its unit stands in the record
    figure_tapped: bool = False  # the button with the figure, though a torque came along
    wrench: str = ""
    override_reason: str = ""

    def figure_of(self, job: Job) -> Fastener:
        """What it is tightened to; of a range, the value must be said."""
        if self.from_maker is None:
            figure = _fastener(job, self.fastener)
        else:
            figure = fastener_in_words(job, self.from_maker)
        if self.torque_nm is None and figure.torque_max_nm is not None:
            raise Fault(
                f"{figure.name} has a range, {figure.torque_nm:g} to {figure.torque_max_nm:g} N·m: "
                "say which value the wrench was set to.",
                about="torque_nm",
            )
        return figure


@transaction.atomic
def torque(actor: Actor, job_id: int, read: Tightened) -> TorqueRecord:
    """Record a fastener as tightened: to the figure by one tap, or to a typed value.

    Raises
    ------
    Question
        The value lies outside its tolerance, the calibration of the wrench had ended, or the
        same person recorded just this before; with a reason it goes through.
    Fault
        No such fastener or wrench, or the order takes no more records.
    """
    if read.torque_nm is None and read.typed_text.strip():
        read = replace(read, torque_nm=_typed_nm(read.typed_text))
    torque_nm, key = read.torque_nm, read.client_key
    named = {"fastener": read.fastener} if read.from_maker is None else {}
    typed = {"to_the_figure": True} if torque_nm is None else {"torque_nm": torque_nm}
    row: TorqueRecord | None = known(
        TorqueRecord.objects, key, job_id=job_id, point=read.point, **named, **typed
    )
    if row is not None:
        return row
    job = job_to_record(actor, job_id)
    figure = read.figure_of(job)
    ask = None if torque_nm is None else _torque_question(torque_nm, figure, read.typed_text)
    made: dict[str, Any] = {
        "fastener": figure.slug,
        "fastener_name": figure.name,
        "point": read.point,
        "torque_nm": figure.torque_nm if torque_nm is None else torque_nm,
        "typed": _as_typed(read.typed_text, torque_nm),
        "wrench": _wrench(job, read.wrench),
    }
    doubts = [
        *_told_twice(read, figure, doubt_of(ask, "torque_nm")),
        *_calibration_doubt(actor, job, made["wrench"]),
        *again(actor, _just_so(job, made), job.order.depot.zone, key),
    ]
    given = {
        **stamp(actor, key),
        **made,
        **doubts_kept(doubts, read.override_reason),
        "job": job,
        "reference_nm": figure.torque_nm,
        "figure_source": "" if read.from_maker is None else figure.source,
        "to_the_figure": torque_nm is None,
    }
    row, _ = keep(TorqueRecord.objects, key, given)
    return row


def _told_twice(read: Tightened, figure: Fastener, doubts: list[Doubt]) -> list[Doubt]:
    """Doubt a torque beside the button that says another, before whatever else it is asked."""
    typed_nm, figure_nm = read.torque_nm, figure.torque_nm
    if not read.figure_tapped or typed_nm is None or abs(typed_nm - figure_nm) <= AS_SHOWN_NM:
        return doubts
    shown = f"{figure_nm:.1f}".removesuffix(".0")
    meant = (f"{shown}: the figure", *(one for each in doubts for one in each.candidates))
    text = f"Typed is {typed_nm:g} N·m, but the button says {shown} N·m. Which is it?"
    return [Doubt(text, meant, "torque_nm", yes="it is what was typed"), *doubts]


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


def _typed_nm(text: str) -> float:
    """A torque [N·m] that came as text alone; a bare number is N·m."""
    mark = decimal_mark(text)
    try:
        given = number(text, mark)
        return given.value if given.unit is None else torque_nm(text, decimal_mark=mark)
    except UnitError as error:
        raise Fault(str(error), about="typed_text") from error


def _as_typed(text: str, taken_nm: float | None) -> str:
    """What was typed where its unit is not N·m; it must say what was taken.

    Raises
    ------
    Fault
        It is no torque, or another than the one given in N·m.
    """
    if taken_nm is None or not text.strip():
        return ""
    mark = decimal_mark(text)
    try:
        unit = number(text, mark).unit
        if unit is None or torque_unit(unit) == "N·m":
            return ""
        typed_nm = torque_nm(text, decimal_mark=mark)
    except UnitError as error:
        raise Fault(str(error), about="typed_text") from error
    if abs(typed_nm - taken_nm) > AS_SHOWN_NM:
        raise Fault(
            f"{text.strip()} is {typed_nm:.1f} N·m, and {taken_nm:g} N·m was given with it: send "
            "the same torque in both.",
            about="typed_text",
        )
    return text.strip()


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


def _just_so(job: Job, made: dict[str, Any]) -> QuerySet[TorqueRecord]:
    """Records of the same point, wrench and value, as exactly as a value is shown."""
    place = {name: made[name] for name in ("fastener", "fastener_name", "point", "wrench")}
    near = (made["torque_nm"] - AS_SHOWN_NM, made["torque_nm"] + AS_SHOWN_NM)
    return job.torques.filter(**place, torque_nm__range=near)


def _calibration_doubt(actor: Actor, job: Job, wrench: Wrench | None) -> list[Doubt]:
    today = today_at(job.order.depot.zone, actor.at)
    if wrench is None or wrench.valid_on(today):
        return []
    others = [
        f"{row.tag}: calibrated until {row.calibrated_until_on}"
        for row in Wrench.objects.filter(depot=wrench.depot_id)
        if row.valid_on(today)
    ]
    text = (
        f"The calibration of wrench {wrench.tag} ended on {wrench.calibrated_until_on}. "
        "Was it really used?"
    )
    yes = f"wrench {wrench.tag} was really used"
    return [Doubt(text, tuple(others), about="wrench", yes=yes)]


def past_calibration(record: TorqueRecord) -> bool:
    """Whether the calibration of the wrench had ended when it was used."""
    wrench = record.wrench
    if wrench is None:
        return False
    return not wrench.valid_on(today_at(wrench.depot.zone, record.performed_at))


def calibration_warning(record: TorqueRecord) -> str:
    """What to say about a wrench whose calibration had ended; empty: nothing."""
    wrench = record.wrench
    if wrench is None or not past_calibration(record):
        return ""
    return (
        f"The calibration of wrench {wrench.tag} ended on {wrench.calibrated_until_on}: have it "
        "checked, and tighten again with another where it matters."
    )


@reader
def preset_wrench(person: Person, order: WorkOrder, valid: Sequence[str]) -> Read[str]:
    """Which of the depot's wrenches whose calibration still holds to offer, by their tags: the last
    one that the person used here, else the only one; empty: none, and the mechanic chooses."""
    last = _last_used(person.pk, order.depot_id, valid)
    yield [last]
    if not last and len(valid) == 1:
        return valid[0]
    return last[0] if last else ""


@prepared
def _last_used(person_id: int, depot_id: int, tags: Collection[str]) -> Rows:
    used = TorqueRecord.objects.filter(
        person=person_id, wrench__depot=depot_id, wrench__tag__in=tags, withdrawn_by=None
    )
    return used.order_by("-pk").values_list("wrench__tag", flat=True)[:1]
