"""What was recorded on an order, as its pages show it."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from django.http import Http404

from fleet.dashboard.orders import confirms
from fleet.dashboard.shown_units import as_typed, torque
from fleet.dashboard.words import day, plain
from fleet.due.models import CheckResult
from fleet.reads import Read, Rows, prepared, reader, side_by_side
from fleet.workorders import followed, measured, photos, record_kinds
from fleet.workorders.late import signed_off_since
from fleet.workorders.models import (
    ConfirmRecord,
    Finding,
    FluidRecord,
    MaterialUsed,
    Note,
    TorqueRecord,
    WorkOrder,
)
from fleet.workorders.models.records import Record
from fleet.workorders.torques import past_calibration

Place = tuple[str, Record, str]
Offered = dict[followed.Source, list[followed.Followed]]


@dataclass(frozen=True)
class Gone:
    """A record that was taken back: by whom, when and why."""

    person: str
    at: datetime | None  # not kept of earlier ones
    reason: str


@dataclass(frozen=True)
class Kept:
    """One record of an order in words."""

    what: str
    person: str
    at: datetime
    kind: str = ""  # the word for one; empty: it cannot be taken back
    pk: int = 0
    title: str = ""  # what it belongs to, where the place does not say
    outcome: str = ""  # of a measured value: pass, watch or fail
    late: bool = False  # it came after the sign-off
    marked: str = ""  # what speaks against it
    gone: Gone | None = None  # taken back
    follows: tuple[followed.Followed, ...] = ()  # from it, to be taken back with it


@dataclass(frozen=True)
class OfOrder:
    """What was recorded on an order."""

    by_place: dict[str, list[Kept]]  # where it stands on the card: 'torque-<job>-<fastener>', …
    photos: photos.OfOrder
    records: list[Record]
    values: list[CheckResult]


@reader
def kept(order: WorkOrder) -> Read[OfOrder]:
    """What was recorded on an order. A constant number of queries."""
    found: dict[str, list[Kept]] = {}
    since, of_jobs, of_order, pictures, confirmed, values = yield from side_by_side(
        signed_off_since.steps(order),
        _of_jobs(order),
        _of_order(order),
        photos.told_apart.steps(order),
        confirms.kept(order),
        measured.of_order(order),
    )
    gone = [("photo", row, f"Photo {row.caption}".strip()) for row in pictures.withdrawn]
    records = [*of_jobs, *of_order, *gone, *confirmed]
    offered = yield from _offered(records, values)
    for place, record, what in records:
        kind = record_kinds.ONE.get(type(record), "")
        line = Kept(
            what,
            str(record.person or ""),
            record.performed_at,
            kind,
            record.pk,
            title=_title(record),
            late=since is not None and record.recorded_at > since,
            marked=_marked(record),
            gone=_gone(record),
            follows=tuple(offered.get((kind, record.pk), ())),
        )
        found.setdefault(place, []).append(line)
    for value in values:
        found.setdefault(f"check-{value.figure_id}", []).append(_measured(value, since, offered))
    return OfOrder(found, pictures, [record for _, record, _ in records], list(values))


def _title(record: Record) -> str:
    if isinstance(record, ConfirmRecord):
        return record.about
    return record.fastener_name if isinstance(record, TorqueRecord) else ""


def _marked(record: Record) -> str:
    if not isinstance(record, TorqueRecord) or not past_calibration(record):
        return ""
    ended_on = record.wrench.calibrated_until_on if record.wrench else None
    return f"calibration of {record.wrench} ended {day(ended_on)}" if ended_on else ""


def _measured(row: CheckResult, since: datetime | None, offered: Offered) -> Kept:
    return Kept(
        _value_words(row),
        str(row.person or ""),
        row.measured_at,
        "check",
        row.pk,
        outcome=row.outcome,
        marked=_asks(row, offered),
        late=since is not None and row.recorded_at > since,
        gone=_gone(row),
        follows=tuple(offered.get(("check", row.pk), ())),
    )


def _asks(row: CheckResult, offered: Offered) -> str:
    """What a failed value that stands asks for."""
    if row.outcome != CheckResult.Outcome.FAIL:
        return ""
    return "; ".join(one.words for one in offered.get(("check", row.pk), ()))


def _gone(row: Record | CheckResult) -> Gone | None:
    if row.withdrawn_by_id is None:
        return None
    return Gone(str(row.withdrawn_by), row.withdrawn_at, row.withdrawn_reason)


def _offered(records: list[Place], values: Iterable[CheckResult]) -> Read[Offered]:
    """What followed from the records that still stand, to be taken back with them."""
    standing = [row for _, row, _ in records if row.withdrawn_by_id is None]
    return (
        yield from followed.of_many.steps(
            results=[row.pk for row in values if row.withdrawn_by_id is None],
            fluids=[row.pk for row in standing if isinstance(row, FluidRecord)],
            findings=[row.pk for row in standing if isinstance(row, Finding)],
        )
    )


def _value_words(row: CheckResult) -> str:
    said = f"{row.figure.name} {plain(row.value)} {row.figure.unit}"
    return f"{said}, by {row.test_method}" if row.test_method else said


def record_of(order: WorkOrder, kind: str, pk: int) -> Record | CheckResult:
    """A record of an order; any other is not found."""
    found = record_kinds.record_of(order, kind, pk)
    if found is None:
        raise Http404
    return found


def _of_jobs(order: WorkOrder) -> Read[list[Place]]:
    torques = _own(TorqueRecord, "wrench__depot")(order.pk)
    fluids, materials = _own(FluidRecord, "product")(order.pk), _own(MaterialUsed)(order.pk)
    yield [torques, fluids, materials]
    found: list[Place] = [
        (f"torque-{row.job_id}-{row.fastener}", row, _torque_words(row)) for row in torques
    ]
    found += [
        (f"by-book-{row.job_id}", row, f"{row.fastener_name} {_torque_words(row)}")
        for row in torques
        if row.figure_source
    ]
    found += [(f"{_fluid_place(row)}-{row.job_id}", row, _fluid_words(row)) for row in fluids]
    found += [(f"material-{row.job_id}", row, _material_words(row)) for row in materials]
    return found


@cache
def _own(kind: type[Any], *beside: str) -> prepared[[int]]:
    """Records of an order's jobs, the oldest first."""

    def rows(order_id: int) -> Rows:
        found: Rows = kind._default_manager.filter(job__order=order_id)
        return found.select_related("person", "withdrawn_by", *beside).order_by("pk")

    return prepared(rows)


def _torque_words(row: TorqueRecord) -> str:
    words = confirms.tightened(row)
    words += f"{torque(row.torque_nm)}{', to the figure' * row.to_the_figure}"
    words += as_typed(row.typed, row.torque_nm)
    words += f", wrench {row.wrench}" if row.wrench else ", no wrench noted"
    return f"{words}; it stands, because {row.override_reason}" if row.override_reason else words


def _material_words(row: MaterialUsed) -> str:
    much = row.pieces if row.quantity_ml is None else f"{row.quantity_ml / 1000:g} L"
    words = f"{much} × {row.name}" if row.quantity_ml is None else f"{much} {row.name}"
    words += ", broken" * row.broken
    return f"{words}; it stands, because {row.override_reason}" if row.override_reason else words


PLACES = {"drained": "out", "filled": "in", "topped up": "top"}


def _fluid_place(row: FluidRecord) -> str:
    return PLACES[row.way]


def _fluid_words(row: FluidRecord) -> str:
    parts = [str(row), row.look, str(row.product or ""), f"batch {row.batch}" if row.batch else ""]
    parts.append(f"it stands, because {row.override_reason}" if row.override_reason else "")
    return ", ".join(part for part in parts if part)


def _of_order(order: WorkOrder) -> Read[list[Place]]:
    notes, findings = _notes(order.pk), _findings(order.pk)
    yield [notes, findings]
    found: list[Place] = [("note", row, row.text) for row in notes]
    found += [("finding", row, f"{row.kind}: {row.text} ({row.severity})") for row in findings]
    return found


@prepared
def _notes(order_id: int) -> Rows:
    return Note.objects.filter(order=order_id).select_related("person", "withdrawn_by")


@prepared
def _findings(order_id: int) -> Rows:
    return Finding.objects.filter(order=order_id).select_related("person", "withdrawn_by")
