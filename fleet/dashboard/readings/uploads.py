"""An upload as it is shown: how far it is, its totals, and its rows with what became of them."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from django.db.models import QuerySet

from fleet import jobs
from fleet.dashboard import words
from fleet.dashboard.readings.lines import ReadingLine, corrected_words, reading_lines, with_lines
from fleet.people.models import Person
from fleet.people.roles import Right, depots_of, may
from fleet.readings import listing
from fleet.readings.correct import CORRECTABLE, OfRow, mistyped_of, moment_of
from fleet.readings.enter import KINDS
from fleet.readings.listing import open_now
from fleet.readings.models import Reading, Upload, UploadRow
from fleet.readings.report import cells_of, with_decisive, with_now
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
class RowFix:
    """What a row says now, where a person may say what is right."""

    on: date | None
    at: str  # as 14:05, perhaps with seconds; empty: it says no time
    value: str
    unit: str
    names_vehicle: bool
    rejects: bool  # a reading that was taken, for which a reason is needed
    units = tuple(KINDS)


@dataclass(frozen=True)
class RowLine:
    """One row of a sheet that needs a look."""

    place: str  # sheet, row and column as the spreadsheet names them
    raw: str
    outcome: str
    message: str
    reading: ReadingLine | None  # to settle it on the spot
    pk: int = 0
    number: int = 0  # through the whole file
    fix: "RowFix | None" = None  # what the form to correct it starts from; None: it has none
    corrected: tuple[str, ...] = ()  # what people corrected of it, in words
    said_first: str = ""  # where something else stands now, and its reading does not tell it

    @property
    def now(self) -> str:
        """The verdict of today, where it is another than at the upload."""
        return self.reading.verdict if self.reading and self.reading.verdict != self.outcome else ""


@dataclass(frozen=True)
class Total:
    outcome: str
    number: int  # as the upload ended
    now: str = ""  # how many of them still wait for a person, in words; empty: none ever does


@dataclass(frozen=True)
class UploadLine:
    """An upload in the list of them."""

    row: Upload
    state: str  # how far it is, or that it counts no more
    outcomes: str
    unseen: int  # rejected rows that nobody has looked at
    waiting_since: datetime | None  # when it came, where no worker has taken it


def totals_of(upload: Upload) -> list[Total]:
    """How many rows ended in each outcome, in a fixed order; nothing is left out."""
    still = open_now([upload])[upload.pk]
    counts = [(outcome, int(upload.counts.get(outcome, 0))) for outcome in Outcome.values]
    return [Total(outcome, number, _now(outcome, number, still)) for outcome, number in counts]


def _now(outcome: str, number: int, still: dict[str, int]) -> str:
    if not number or outcome not in still:
        return ""
    waiting = words.grouped(still[outcome])
    if outcome == Outcome.HELD:
        return f"{waiting} now" if still[outcome] else "none now"
    return f"{waiting} not looked at" if still[outcome] else "all looked at"


def upload_lines(uploads: Sequence[Upload]) -> list[UploadLine]:
    """Each upload with how its rows came out and what of them is still open now."""
    still = open_now(uploads)
    return [_upload_line(one, still[one.pk]) for one in uploads]


def _upload_line(one: Upload, still: dict[str, int]) -> UploadLine:
    withdrawn = hasattr(one, "withdrawal")  # its rejected rows want no look
    return UploadLine(
        one,
        "withdrawn" if withdrawn else one.state,
        outcome_words(one.counts, {} if withdrawn else still),
        still[Outcome.REJECTED],
        jobs.waiting_since(one),
    )


def outcome_words(counts: dict[str, int], still: dict[str, int]) -> str:
    """Counts of an upload in one line, as '41 accepted, 4 held then, none now'."""
    told = []
    for outcome, number in counts.items():
        now = _now(outcome, number, still)
        if number:
            then = " then" if now and outcome == Outcome.HELD else ""
            told.append(f"{words.grouped(number)} {outcome}{then}{f', {now}' if now else ''}")
    return "; ".join(told) if any(";" in one or "," in one for one in told) else ", ".join(told)


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
    ids = [row.pk for row in rows]
    pairs = with_decisive(UploadRow.objects.filter(pk__in=ids))
    decisive = dict(pairs.values_list("pk", "decisive_id"))
    found = with_lines(Reading.objects.filter(pk__in=decisive.values()))
    own = list(found.filter(vehicle__depot__in=depots_of(person)))
    lines = {line.pk: line for line in reading_lines(own, person)}
    given = {one.pk: one for one in own}
    now = listing.said_now({decisive[row.pk]: row.outcome for row in rows if decisive[row.pk]})
    corrections: dict[int, list[str]] = defaultdict(list)
    for one in listing.corrections_of(ids):
        corrections[one.row_id].append(corrected_words(one))
    told = []
    for row in rows:
        pk = decisive[row.pk] or 0
        fix = fix_of(row, given.get(pk), person)
        corrected = tuple(corrections[row.pk])
        first = _said_first(row, lines.get(pk)) if pk in now else ""
        line = replace(_line(row, lines.get(pk)), fix=fix, corrected=corrected, said_first=first)
        told.append(line)
    return told


def _said_first(row: UploadRow, reading: ReadingLine | None) -> str:
    told = reading.reason if reading and reading.decided else ""
    return "" if row.message in told else row.message


def fix_of(row: UploadRow, reading: Reading | None, person: Person) -> RowFix | None:
    """What the form to correct a row starts from, for who may."""
    if row.outcome not in CORRECTABLE or (reading is None and row.reading_id):
        return None
    wanted = [Right.ADD_READINGS, *([Right.SETTLE_READINGS] if reading else [])]
    depot = reading.vehicle.depot if reading else None
    if not all(may(person, right, depot) for right in wanted):
        return None
    if reading is None:
        on, at = _shown(moment_of(row, None, "UTC"))
        typed = mistyped_of(row)
        return RowFix(on, at, typed, "", row.vehicle_id is not None, rejects=False)
    on, at = _shown(moment_of(row, reading, reading.vehicle.depot.zone))
    return RowFix(on, at, f"{reading.value:.15g}", reading.unit, names_vehicle=True, rejects=True)


def _shown(moment: OfRow) -> tuple[date | None, str]:
    """Day and time as a form begins with them."""
    on, at = moment
    return on, "" if at is None else f"{at:%H:%M:%S}" if at.second else f"{at:%H:%M}"


def _line(row: UploadRow, reading: ReadingLine | None) -> RowLine:
    return RowLine(
        place=place(row),
        raw=" · ".join(cells(row.raw)),
        outcome=row.outcome,
        message=row.message,
        reading=reading,
        pk=row.pk,
        number=row.number,
    )


def place(row: UploadRow) -> str:
    """Where a row stands, as 'sheet March, row 12, column C'."""
    parts = [f"sheet {row.sheet}" if row.sheet else "", f"row {row.row}"]
    parts.append(f"column {row.column}" if row.column else "")
    return ", ".join(part for part in parts if part)


def cells(raw: str) -> list[str]:
    """The cells as they stood in the sheet, as text."""
    return as_texts(cells_of(raw))


def as_texts(given: Sequence[object]) -> list[str]:
    """Cells as text; whole numbers as whole: a spreadsheet hands every number over with a part
    behind the point."""
    return [_as_text(cell) for cell in given]


def _as_text(cell: object) -> str:
    whole = isinstance(cell, float) and cell.is_integer()
    return f"{cell:.0f}" if whole else str(cell)


def file_rows(rows: QuerySet[UploadRow]) -> Iterator[list[Cell]]:
    """Every row with its outcome, what stands of it now before what was said first, and its cells
    as given behind that."""
    for row, told in with_now(rows):
        place = (row["sheet"], row["row"], row["column"], row["outcome"])
        vehicle = row["vehicle__fleet_number"] or ""
        yield [*place, told.now, told.first, vehicle, *cells(row["raw"])]
