"""A workbook into the database: all or nothing, and the same book twice changes nothing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from django.db import transaction

from fleet.readings.spreadsheet import SpreadsheetFault, read_spreadsheet
from fleet.runs.ledger import Progress, silent
from fleet.workbook import withdraw
from fleet.workbook.columns import Key, Row, Sheet
from fleet.workbook.history_doubts import check_history
from fleet.workbook.models import Load
from fleet.workbook.notes import BookRefused, Note, Notes
from fleet.workbook.numbers import settle_numbers
from fleet.workbook.read import Table, tables_of
from fleet.workbook.record import Author, Recorder
from fleet.workbook.rules import check_meaning
from fleet.workbook.safety import check_procedures
from fleet.workbook.sheets import SHEETS
from fleet.workbook.stays import settle_stays
from fleet.workbook.use import use_changed
from fleet.workbook.world import Stored, World, whole_fleet


@dataclass(frozen=True, slots=True)
class Count:
    """What became of the rows of one sheet."""

    added: int
    changed: int
    unchanged: int
    lacking: tuple[str, ...]  # rows that the fleet has and the book lacks

    def __bool__(self) -> bool:
        """Whether there is anything to tell of the sheet."""
        return bool(self.added or self.changed or self.unchanged or self.lacking)


@dataclass(frozen=True, slots=True)
class Loaded:
    counts: dict[str, Count]  # of sheets that have rows, here or there
    warnings: tuple[Note, ...]
    use_changed: dict[int, date]  # known vehicle -> month from which its duty class may differ
    number: int | None = None  # under which it may be withdrawn, where it changed anything

    @property
    def changes(self) -> int:
        return sum(count.added + count.changed for count in self.counts.values())


@dataclass
class Difference:
    """The rows of one sheet that must be written."""

    sheet: Sheet
    given: bool
    added: list[Row] = field(default_factory=list)
    changed: list[tuple[int, Row]] = field(default_factory=list)  # with the id of the stored row
    unchanged: int = 0
    lacking: list[Row] = field(default_factory=list)

    def to_write(self) -> list[Row]:
        return [*self.added, *(row for _, row in self.changed)]

    def count(self) -> Count:
        lacking = tuple(self.sheet.shown_key(row) for row in self.lacking)
        return Count(len(self.added), len(self.changed), self.unchanged, lacking)


def load(
    path: Path,
    *,
    now: datetime,
    person_id: int | None = None,
    reason: str = "fleet workbook",
    name: str = "",
    progress: Progress | None = None,
) -> Loaded:
    """Load a workbook file; BookRefused names every fault, and then nothing was written.

    Parameters
    ----------
    name
        What to call the file, where that is not its own name.
    """
    tell = progress or silent
    tables, notes = _read(path, name, now, tell)
    return _load(tables, notes, Author(now, person_id, reason), tell, name or path.name)


def check(path: Path, *, now: datetime, name: str = "", progress: Progress | None = None) -> Loaded:
    """What loading a workbook file would do; nothing is written. BookRefused as ``load``."""
    tell = progress or silent
    tables, notes = _read(path, name, now, tell)
    tell(0.4, "comparing with the fleet")
    differences, world = _compare(tables, notes, now)
    tell(1.0, "done")
    return _loaded(world, differences, notes, now)


def _read(path: Path, name: str, now: datetime, tell: Progress) -> tuple[dict[str, Table], Notes]:
    tell(0.0, "reading the file")
    notes = Notes()
    try:
        return tables_of(read_spreadsheet(path), _latest_today(now), notes), notes
    except SpreadsheetFault as fault:
        raise BookRefused([Note(name or path.name, 0, "", str(fault).rstrip("."))]) from fault


def _load(
    tables: Mapping[str, Table],
    notes: Notes,
    author: Author,
    tell: Progress,
    name: str = "workbook",
) -> Loaded:
    tell(0.4, "comparing with the fleet")
    with transaction.atomic():
        differences, world = _compare(tables, notes, author.now)
        recorder, kept = Recorder(world, author), _kept(differences, author, name)
        for done, found in enumerate(differences):
            tell(0.5 + 0.5 * done / len(differences), found.sheet.name)
            recorder.record(found.sheet, found.added, found.changed)
            if kept is not None and found.to_write():
                withdraw.keep(kept, found.sheet, _journal(found, tables, world))
    tell(1.0, "done")
    loaded = _loaded(world, differences, notes, author.now)
    return replace(loaded, number=kept.pk if kept else None)


def _kept(differences: Sequence[Difference], author: Author, name: str) -> Load | None:
    """A note of the load, where it changes anything."""
    if not any(found.to_write() for found in differences):
        return None
    return Load.objects.create(name=name[:200], person_id=author.person_id, loaded_at=author.now)


def _journal(
    found: Difference, tables: Mapping[str, Table], world: World
) -> Iterator[tuple[int, Stored | None, Row]]:
    """Rows to be written, each with its number in the book and what stands in its place."""
    table, stored = tables[found.sheet.name], world.fleet[found.sheet.name]
    numbers = dict(zip(map(found.sheet.key_of, table.rows), table.numbers, strict=False))
    for row in found.to_write():
        key = found.sheet.key_of(row)
        yield numbers.get(key, 0), stored.get(key), row


def _compare(
    tables: Mapping[str, Table], notes: Notes, now: datetime
) -> tuple[list[Difference], World]:
    world = _understand(tables, _latest_today(now), notes)
    if notes.faults:
        raise BookRefused(_in_order(notes.faults), _in_order(notes.warnings))
    return [_differ(world, tables[sheet.name]) for sheet in SHEETS], world


def _loaded(world: World, differences: Sequence[Difference], notes: Notes, now: datetime) -> Loaded:
    counts = {
        found.sheet.name: count
        for found in differences
        if (found.given or found.to_write()) and (count := found.count())
    }
    changed = [(found.sheet, found.to_write()) for found in differences]
    since = use_changed(world, changed, now.astimezone(UTC).date())
    return Loaded(counts, tuple(_in_order(notes.warnings)), since)


def _latest_today(now: datetime) -> date:
    """The latest day it can be anywhere."""
    return (now.astimezone(UTC) + timedelta(hours=14)).date()


def _understand(tables: Mapping[str, Table], today: date, notes: Notes) -> World:
    fleet = whole_fleet()
    settle_numbers(tables, fleet, notes)
    world = World(tables, fleet, today)
    world.lay(notes)
    settle_stays(world, notes)
    world.check_links(notes)
    check_meaning(world, notes)
    check_procedures(world, notes)
    check_history(world, notes)
    return world


def _in_order(notes: Sequence[Note]) -> list[Note]:
    place = {sheet.name: index for index, sheet in enumerate(SHEETS)}
    return sorted(notes, key=lambda note: (place.get(note.sheet, -1), note.row, note.heading))


def _differ(world: World, table: Table) -> Difference:
    stored = world.fleet[table.sheet.name]
    difference = Difference(table.sheet, table.given)
    seen: set[Key] = set()
    for row in table.rows:
        key = table.sheet.key_of(row)
        seen.add(key)
        known = stored.get(key)
        if known is None:
            difference.added.append(row)
        elif known.row != row:
            difference.changed.append((known.id, row))
        else:
            difference.unchanged += 1
    if table.given:
        difference.lacking = [known.row for key, known in stored.items() if key not in seen]
    return difference
