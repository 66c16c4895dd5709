"""An upload as it is shown: how far it is, its totals, and its rows with what became of them."""

import json
from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import QuerySet

from fleet.dashboard.readings.lines import ReadingLine, reading_lines, with_lines
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.readings.models import Reading, Upload, UploadRow
from fleet.readings.report import with_decisive
from fleet.tables import Cell

Outcome = UploadRow.Outcome
NOT_ACCEPTED = (
    Outcome.HELD,
    Outcome.REJECTED,
    Outcome.UNKNOWN_VEHICLE,
    Outcome.UNREADABLE,
    Outcome.REPEATED,
)
STEPS = (Upload.State.RECEIVED, Upload.State.READ, Upload.State.JUDGED, Upload.State.DONE)


@dataclass(frozen=True)
class RowLine:
    """One row of a sheet that needs a look."""

    place: str  # sheet, row and column as the spreadsheet names them
    raw: str
    outcome: str
    message: str
    reading: ReadingLine | None  # to settle it on the spot


@dataclass(frozen=True)
class Total:
    outcome: str
    number: int


def totals_of(upload: Upload) -> list[Total]:
    """How many rows ended in each outcome, in a fixed order; nothing is left out."""
    return [Total(outcome, int(upload.counts.get(outcome, 0))) for outcome in Outcome.values]


def share_of(upload: Upload) -> float:
    """How far an upload is, 0 to 1: reading its rows is half of the work."""
    if upload.state == Upload.State.DONE:
        return 1.0
    if upload.state == Upload.State.JUDGED:
        return 0.9
    if upload.state == Upload.State.READ:
        return 0.5
    return 0.5 * upload.rows_read / upload.rows_total if upload.rows_total else 0.0


def row_lines(rows: list[UploadRow], person: Person) -> list[RowLine]:
    """Lines of rows, each with the reading that made its outcome."""
    pairs = with_decisive(UploadRow.objects.filter(pk__in=[row.pk for row in rows]))
    decisive = dict(pairs.values_list("pk", "decisive_id"))
    found = with_lines(Reading.objects.filter(pk__in=decisive.values()))
    own = found.filter(vehicle__depot__in=depots_of(person))
    lines = {line.pk: line for line in reading_lines(own, person)}
    return [_line(row, lines.get(decisive[row.pk] or 0)) for row in rows]


def _line(row: UploadRow, reading: ReadingLine | None) -> RowLine:
    return RowLine(
        place=place(row),
        raw=" · ".join(cells(row)),
        outcome=row.outcome,
        message=row.message,
        reading=reading,
    )


def place(row: UploadRow) -> str:
    """Where a row stands, as 'sheet March, row 12, column C'."""
    parts = [f"sheet {row.sheet}" if row.sheet else "", f"row {row.row}"]
    parts.append(f"column {row.column}" if row.column else "")
    return ", ".join(part for part in parts if part)


def cells(row: UploadRow) -> list[str]:
    """The cells as they stood in the sheet, as text."""
    kept = json.loads(row.raw)
    return [str(cell) for cell in kept] if isinstance(kept, list) else [str(kept)]


def file_rows(rows: QuerySet[UploadRow]) -> Iterator[list[Cell]]:
    """Every row with its outcome, its cells as given behind it."""
    for row in rows.select_related("vehicle").iterator(chunk_size=2_000):
        vehicle = row.vehicle.fleet_number if row.vehicle else ""
        yield [row.sheet, row.row, row.column, row.outcome, row.message, vehicle, *cells(row)]
