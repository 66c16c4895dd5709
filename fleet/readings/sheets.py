"""From the rows of a book to entries: one per row of a long sheet, one per cell of a wide one.

A sheet is read twice: a survey counts its entries and looks through whole columns for what a
single cell cannot tell (day or month first, decimal mark); then the entries come chunk by chunk.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleet.readings.cells import decimal_mark_of
from fleet.readings.entries import (
    Entries,
    Hints,
    Numbered,
    Row,
    from_plain,
    long_entries,
    to_plain,
    unusable_entries,
    wide_entries,
)
from fleet.readings.headings import HEADING_ROWS, Shape, Shapeless, find_shape
from fleet.readings.moments import day_first_of
from fleet.readings.spreadsheet import PlainValues, Sheet, Spreadsheet, SpreadsheetFault, run_apart
from fleet.readings.unpack import Chunk, write_rows

ENTRIES_PER_CHUNK = 10_000
OF_FLEET_BOOK = {"Vehicle types", "Vehicles", "Service history"}  # sheets that tell one
MOST_TOLD = 3  # sheets named, where none has headings; our choice


@dataclass(frozen=True, slots=True)
class ReadSheet:
    """One sheet as the process apart has read it."""

    count: int  # entries
    message: str  # why it has no usable headings; else empty
    _number: int
    _entries: Path

    def entries(self) -> Iterator[Entries]:
        """Entries chunk by chunk, in the order of the sheet's rows and columns."""
        with self._entries.open("rb") as file:
            while True:
                try:
                    number, given = PlainValues(file).load()
                except EOFError:
                    return
                if number == self._number:
                    yield from_plain(given)


@contextmanager
def open_sheets(path: Path) -> Iterator[list[ReadSheet]]:
    """Read a file in a process of its own; SpreadsheetFault says why it cannot be read."""
    with tempfile.TemporaryDirectory(prefix="sumpwise-") as folder:
        found = run_apart(write_entries, path, Path(folder))
        yield [
            ReadSheet(sheet["count"], sheet["message"], number, Path(folder) / "entries")
            for number, sheet in enumerate(found)
        ]


def write_entries(source: Path, folder: Path) -> list[dict[str, Any]]:
    """Entries of every sheet to the folder; for each sheet its count, and why it has no shape.

    Only in a process apart: headings, dates and figures are found by many expressions, and a
    hostile text can make any of them slow.
    """
    held: list[Chunk] = []
    with (folder / "rows").open("wb") as out:
        sheets = write_rows(source, out, held)
    surveys = survey_all(Spreadsheet.of(sheets, folder / "rows", held))
    with (folder / "entries").open("wb") as out:
        for number, found in enumerate(surveys):
            for entries in read_entries(found):
                pickle.dump((number, to_plain(entries)), out, protocol=5)
    return [
        {
            "count": found.count,
            "message": found.shape.message if isinstance(found.shape, Shapeless) else "",
        }
        for found in surveys
    ]


@dataclass(frozen=True, slots=True)
class Survey:
    """What the first look at a sheet found."""

    sheet: Sheet
    shape: Shape | Shapeless
    count: int  # entries
    hints: Hints = Hints()


def survey_all(spreadsheet: Spreadsheet) -> list[Survey]:
    """Survey every sheet; SpreadsheetFault when none has readings."""
    surveys = [survey(sheet) for sheet in spreadsheet.sheets if sheet.height]
    if not any(isinstance(found.shape, Shape) for found in surveys):
        if {sheet.name for sheet in spreadsheet.sheets} >= OF_FLEET_BOOK:
            raise SpreadsheetFault(
                "This is a fleet workbook, not a sheet of readings: load it with sumpwise fleet "
                "load FILE.xlsx."
            )
        told = [found.shape.message for found in surveys if isinstance(found.shape, Shapeless)]
        if len(told) > MOST_TOLD:
            told[MOST_TOLD:] = [f"Nor has any of the {len(told) - MOST_TOLD} other sheets."]
        raise SpreadsheetFault(
            " ".join(told) or "The file has no rows: save the sheet again and send it once more."
        )
    if not any(found.count for found in surveys):
        raise SpreadsheetFault(
            "There is nothing below the headings: fill in readings and send it again."
        )
    return surveys


def survey(sheet: Sheet) -> Survey:
    head: list[Row] = []
    for _, rows in sheet.chunks():
        head += rows[: HEADING_ROWS - len(head)]
        if len(head) == HEADING_ROWS:
            break
    shape = find_shape(sheet.name, head)
    if isinstance(shape, Shapeless):
        return Survey(sheet, shape, sum(map(len, _shapeless_rows(sheet, shape))))
    count, texts, figures = 0, set[Any](), set[Any]()
    heading = head[shape.heading_row - 1]
    for first, rows in sheet.chunks():
        kept = _kept(rows, first, shape, heading)
        count += _count(kept, shape)
        if "date" in shape.columns:
            texts.update(_texts(kept, shape.columns["date"]))
        for column in _measured(shape):
            figures.update(_texts(kept, column))
    return Survey(sheet, shape, count, Hints(day_first_of(texts), decimal_mark_of(figures)))


def _kept(rows: Sequence[Row], first: int, shape: Shape | Shapeless, heading: Row) -> Numbered:
    """Rows below the headings that are neither blank nor the headings once more."""
    skip = max(0, shape.heading_row + 1 - first)
    blank = [""] * len(rows[0]) if rows else []
    return [
        (number, row)
        for number, row in enumerate(rows[skip:], start=first + skip)
        if row != blank and row != heading
    ]


def _measured(shape: Shape) -> list[int]:
    if shape.wide:
        return [day.column for day in shape.days]
    return [shape.columns[role] for role in ("odometer", "hours") if role in shape.columns]


def _texts(kept: Numbered, column: int) -> set[Any]:
    return {row[column] for _, row in kept if type(row[column]) is str}


def _count(kept: Numbered, shape: Shape) -> int:
    if not shape.wide:
        return len(kept)
    columns = _measured(shape)
    return sum(sum(row[column] != "" for column in columns) for _, row in kept)


def _shapeless_rows(sheet: Sheet, shape: Shapeless) -> Iterator[Numbered]:
    """Rows of a table that cannot be used; of a sheet without a table, none."""
    for first, rows in sheet.chunks() if shape.heading_row else ():
        yield _kept(rows, first, shape, [])


def read_entries(found: Survey) -> Iterator[Entries]:
    """Entries of a surveyed sheet in the order of its rows and columns."""
    shape, name = found.shape, found.sheet.name
    if isinstance(shape, Shapeless):
        for kept in _shapeless_rows(found.sheet, shape):
            yield unusable_entries(name, kept, shape.message)
        return
    form = wide_entries if shape.wide else long_entries
    step = max(1, ENTRIES_PER_CHUNK // max(1, len(shape.days)))
    heading: Row = []
    for first, rows in found.sheet.chunks():
        if first <= shape.heading_row < first + len(rows):
            heading = rows[shape.heading_row - first]
        kept = _kept(rows, first, shape, heading)
        for start in range(0, len(kept), step):
            yield form(name, shape, kept[start : start + step], found.hints)
