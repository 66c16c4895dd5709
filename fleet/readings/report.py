"""What became of an upload: totals, what was not accepted and why, and the rows as a file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import islice
from typing import Any

from django.db.models import Case, F, QuerySet, When
from django.db.models.functions import Coalesce

from fleet.readings.models import Upload, UploadRow
from fleet.readings.traces import Told, told_of

Outcome = UploadRow.Outcome

OUTCOMES = tuple(outcome for outcome in Outcome if outcome != Outcome.WAITING)
HEADINGS = ("Sheet", "Row", "Column", "Outcome", "Now", "Said first", "Vehicle")
ROWS_AT_ONCE = 5_000
AS_GIVEN = "As given"
_COLUMNS = ("sheet", "row", "column", "outcome", "message", "vehicle__fleet_number", "raw")


@dataclass(frozen=True, slots=True)
class NotAccepted:
    """One row (or cell of a wide sheet) that did not become an accepted reading."""

    sheet: str
    row: int
    column: str  # letters, of a wide sheet
    vehicle: str | None  # fleet number, where the vehicle is known
    outcome: str
    reason: str  # the judge's word for it; "" for rows that never came before the judge
    message: str
    reading: int | None  # to settle it by
    as_given: list[Any]

    @property
    def place(self) -> str:
        sheet = f"{self.sheet}, " if self.sheet else ""
        return f"{sheet}{self.column}{self.row}" if self.column else f"{sheet}row {self.row}"


@dataclass(frozen=True, slots=True)
class Report:
    """An upload as it ended."""

    upload: int | None  # None: tried only
    file: str
    state: str
    message: str  # why it was refused, or remarks
    seen_before: bool
    counts: dict[str, int]  # outcome -> rows
    not_accepted: tuple[NotAccepted, ...]

    @property
    def rows(self) -> int:
        return sum(self.counts.values())

    @property
    def refused(self) -> bool:
        return self.state == Upload.State.REFUSED

    def as_json(self) -> dict[str, Any]:
        """Totals under the outcomes' names, then the list."""
        return {
            "upload": self.upload,
            "file": self.file,
            "state": self.state,
            "message": self.message,
            "seen_before": self.seen_before,
            "rows": self.rows,
            **{outcome.value.replace(" ", "_"): self.counts[outcome] for outcome in OUTCOMES},
            "not_accepted": [asdict(row) for row in self.not_accepted],
        }


def report_of(upload: Upload, tried: bool = False) -> Report:
    """The report of an upload; ``tried`` leaves out ids, because nothing was kept."""
    rows = not_accepted(upload)
    return Report(
        upload=None if tried else upload.pk,
        file=upload.name,
        state=upload.state,
        message=upload.message,
        seen_before=upload.seen_before,
        counts={outcome.value: upload.counts.get(outcome, 0) for outcome in OUTCOMES},
        not_accepted=tuple(replace(row, reading=None) if tried else row for row in rows),
    )


def refusal(name: str, message: str) -> Report:
    """The report of a file that was tried and cannot be read."""
    nothing = {outcome.value: 0 for outcome in OUTCOMES}
    return Report(None, name, Upload.State.REFUSED, message, False, nothing, ())


def with_decisive(rows: QuerySet[UploadRow]) -> Any:
    """Rows with ``decisive_id``: of odometer and engine hours, the reading that made the outcome.

    Where both did, or neither does any more, the odometer if there is one.
    """
    return rows.annotate(
        decisive_id=Case(
            When(reading__verdict=F("outcome"), then=F("reading_id")),
            When(hours_reading__verdict=F("outcome"), then=F("hours_reading_id")),
            default=Coalesce("reading_id", "hours_reading_id"),
        )
    )


def with_now(rows: QuerySet[UploadRow]) -> Iterator[tuple[dict[str, Any], Told]]:
    """Each row's columns, the cells as given, and what is told of it. In the order of the rows,
    some thousands at once."""
    columns = with_decisive(rows).values("id", *_COLUMNS, "decisive_id")
    found = columns.iterator(chunk_size=ROWS_AT_ONCE)
    while some := list(islice(found, ROWS_AT_ONCE)):
        told = told_of(some)
        for row in some:
            yield row, told[row["id"]]


def given_headings(rows: QuerySet[UploadRow]) -> list[str]:
    """A heading for each column of cells as given: numbered, since sheets of one file differ."""
    raw = rows.order_by().values_list("raw", flat=True).iterator(chunk_size=ROWS_AT_ONCE)
    widest = max((len(cells_of(one)) for one in raw), default=0)
    return [f"{AS_GIVEN} {number}" for number in range(1, widest + 1)]


def cells_of(raw: str) -> list[Any]:
    """The cells of a row as they were kept."""
    kept = json.loads(raw)
    return kept if isinstance(kept, list) else [kept]


def not_accepted(upload: Upload) -> Iterator[NotAccepted]:
    """Rows without an accepted reading, in the order of the file."""
    rows = with_decisive(upload.rows.exclude(outcome=Outcome.ACCEPTED)).order_by("number")
    why = ("decisive_id", "reading__reason", "hours_reading__reason")
    for row in rows.values_list(*_COLUMNS, *why).iterator(chunk_size=ROWS_AT_ONCE):
        sheet, number, column, outcome, message, vehicle, raw, reading, reason, other = row
        judged = outcome in (Outcome.HELD, Outcome.REJECTED)
        yield NotAccepted(
            sheet=sheet,
            row=number,
            column=column,
            vehicle=vehicle,
            outcome=outcome,
            reason=(reason or other or "") if judged else "",
            message=message,
            reading=reading if judged else None,
            as_given=json.loads(raw),
        )
