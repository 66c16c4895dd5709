"""Cells into rows: finds headings, skips what is no data, names every fault with its place."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from fleet.units import distance_km
from fleet.workbook.cells import Cell, CellFault, is_empty, rounded, text
from fleet.workbook.columns import Column, Key, Row, Sheet
from fleet.workbook.notes import Notes
from fleet.workbook.sheets import SHEETS

Grid = Sequence[Sequence[Cell]]
Places = Sequence[int | None]  # of each column of the sheet; None where its heading is missing

READ_ME = "Read me"


@dataclass
class Table:
    """Rows of one sheet of the book, with the numbers the spreadsheet gives them."""

    sheet: Sheet
    given: bool = True  # False when the book has no such sheet
    rows: list[Row] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    figures: set[int] = field(default_factory=set)  # indices of rows whose key is a number
    broken: set[Key] = field(default_factory=set)  # keys of rows that have a fault of their own
    nameless: bool = False  # True when a heading is missing that tells its rows apart
    left_out: tuple[int, ...] = ()  # columns that the book does not have: nothing is said of them

    def with_stored(self, stored: Callable[[Key], Row | None]) -> None:
        """Where a column was left out, rows that the fleet knows keep what it has there."""
        for at, row in enumerate(self.rows if self.left_out else ()):
            known = stored(self.sheet.key_of(row))
            if known is not None:
                self.rows[at] = tuple(
                    known[index] if index in self.left_out else value
                    for index, value in enumerate(row)
                )


def tables_of(workbook: Mapping[str, Grid], today: date, notes: Notes) -> dict[str, Table]:
    """The book's rows by sheet; ``today`` is the latest day it can be anywhere."""
    grids = {_plain(name): grid for name, grid in workbook.items()}
    known = {_plain(sheet.name) for sheet in SHEETS} | {_plain(READ_ME)}
    for name in workbook:
        if _plain(name) not in known:
            notes.warn(name, 0, "", "this sheet is not known and was left out")
    if not known & grids.keys() - {_plain(READ_ME)}:
        names = ", ".join(sheet.name for sheet in SHEETS)
        notes.fault("Workbook", 0, "", f"it has no sheet of a fleet workbook; those are: {names}")
    return {
        sheet.name: _table(sheet, grids[_plain(sheet.name)], today, notes)
        if _plain(sheet.name) in grids
        else Table(sheet, given=False)
        for sheet in SHEETS
    }


def _plain(text_given: str) -> str:
    return " ".join(text_given.split()).casefold()


def _table(sheet: Sheet, grid: Grid, today: date, notes: Notes) -> Table:
    table = Table(sheet)
    filled = [index for index, cells in enumerate(grid) if not all(map(is_empty, cells))]
    if not filled:
        notes.fault(sheet.name, 0, "", "the sheet has no headings; take them from the template")
        table.given = False
        return table
    places = _places(sheet, grid[filled[0]], filled[0] + 1, notes)
    if any(places[index] is None for index in sheet.key_at):
        table.nameless = True  # its rows cannot be told apart
    table.left_out = tuple(index for index, place in enumerate(places) if place is None)
    reader = _RowReader(sheet, places, today, notes)
    for index in filled[1:]:
        if index == filled[1] and _explains(sheet, grid[index], places):
            continue
        row = reader.read(grid[index], index + 1)
        if row is not None:
            if isinstance(_cell(grid[index], places[sheet.key_at[0]]), float):
                table.figures.add(len(table.rows))
            table.rows.append(row)
            table.numbers.append(index + 1)
    table.broken = reader.broken
    return table


def _places(sheet: Sheet, headings: Sequence[Cell], row: int, notes: Notes) -> Places:
    """Where each column stands; a heading that is doubled, or needed and missing, is a fault.

    Beside headings nobody knows any missing one is a fault: it may only be misspelt, and its
    figures would be lost.
    """
    found: dict[str, list[int]] = {}
    for index, heading in enumerate(headings):
        if not is_empty(heading):
            found.setdefault(_plain(text(heading)), []).append(index)
    known = {_plain(column.heading) for column in sheet.columns}
    for name in found.keys() - known:
        shown = text(headings[found[name][0]])
        notes.warn(sheet.name, row, shown, "this column is not known and was left out")
    for index, column in enumerate(sheet.columns):
        count = len(found.get(_plain(column.heading), ()))
        if count == 0 and (index in sheet.needed or found.keys() - known):
            notes.fault(sheet.name, row, column.heading, "this heading is missing; add the column")
        elif count > 1:
            notes.fault(sheet.name, row, column.heading, "this heading stands twice; keep one")
    return tuple(found.get(_plain(column.heading), (None,))[0] for column in sheet.columns)


def _cell(cells: Sequence[Cell], place: int | None) -> Cell:
    return "" if place is None else cells[place]


def _explains(sheet: Sheet, cells: Sequence[Cell], places: Places) -> bool:
    """Whether most of the filled cells are the columns' own explanations."""
    pairs = zip(sheet.columns, (_cell(cells, place) for place in places), strict=True)
    filled = [(column, cell) for column, cell in pairs if not is_empty(cell)]
    same = sum(text(cell) == explanation(column) for column, cell in filled)
    return same > 0 and 2 * same >= len(filled)


def explanation(column: Column) -> str:
    """What stands under a heading."""
    return f"Required. {column.explanation}" if column.required else column.explanation


class _RowReader:
    def __init__(self, sheet: Sheet, places: Places, today: date, notes: Notes) -> None:
        self.sheet, self.places, self.today, self.notes = sheet, places, today, notes
        self.columns = tuple(zip(sheet.columns, places, strict=True))
        self.longest = _longest(sheet)
        self.broken: set[Key] = set()
        self.days = [index for index, column in enumerate(sheet.columns) if column.past]
        self.distances = [
            (index, sheet.at[column.unit_in])
            for index, column in enumerate(sheet.columns)
            if column.unit_in
        ]

    def read(self, cells: Sequence[Cell], number: int) -> Row | None:
        """The values of a row, or None when it has a fault (which was noted)."""
        values: list[Any] = []
        faults = len(self.notes.faults)
        lacking = False
        for index, (column, place) in enumerate(self.columns):
            try:
                lacking |= place is None and index in self.sheet.needed
                values.append(column.empty if place is None else column.take(cells[place]))
            except CellFault as fault:
                self.notes.fault(self.sheet.name, number, column.heading, str(fault))
                values.append(None)
        if len(self.notes.faults) == faults and not lacking:
            self._to_km(values)
            self._look(values, number)
        if len(self.notes.faults) == faults and not lacking:
            return tuple(values)
        self.broken.add(self.sheet.key_of(tuple(values)))
        return None

    def _to_km(self, values: list[Any]) -> None:
        for index, unit_index in self.distances:
            if values[index] is not None and values[unit_index] != "km":
                values[index] = rounded(distance_km(values[index], values[unit_index]))
        for _, unit_index in self.distances:
            values[unit_index] = "km"

    def _look(self, values: Sequence[object], number: int) -> None:
        for index in self.days:
            day = values[index]
            if isinstance(day, date) and day > self.today:
                self._fault(number, index, f"{day} lies in the future; write a day up to today")
        for index, longest in self.longest.items():
            if len(str(values[index])) > longest:
                self._fault(number, index, f"the text is longer than {longest} signs; shorten it")

    def _fault(self, number: int, index: int, message: str) -> None:
        self.notes.fault(self.sheet.name, number, self.sheet.columns[index].heading, message)


def _longest(sheet: Sheet) -> dict[int, int]:
    """How many signs the fleet keeps of each text column."""
    lengths = {}
    for index in sheet.stored:
        longest = getattr(sheet.model._meta.get_field(sheet.columns[index].name), "max_length", 0)
        if longest:
            lengths[index] = longest
    return lengths
