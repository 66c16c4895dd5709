"""Open a spreadsheet file safely: xlsx, ods or csv, told apart by content, never by name.

The file is read by ``unpack.py`` in a process of its own (``apart.py``); here only its plain values
arrive, chunk by chunk.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from fleet.faults import Fault
from fleet.readings.apart import read_apart
from fleet.readings.prepared import Read
from fleet.readings.unpack import ERROR_VALUE, WITHOUT_VALUE, Chunk, rows_to_file

__all__ = [
    "ERROR_VALUE",
    "WITHOUT_VALUE",
    "Sheet",
    "Spreadsheet",
    "SpreadsheetFault",
    "open_spreadsheet",
    "read_spreadsheet",
]

Cell = str | float | int | date | datetime | time | timedelta  # "" for a blank cell
Rows = list[list[Cell]]

TIME_LIMIT_S = 180  # our choice
_CUT_OFF = "The file needs more memory or time than one file may take: split it into smaller files."


class SpreadsheetFault(Fault):
    """A file that cannot be read as a table; its text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet of an open book."""

    name: str  # "" for a text file
    height: int  # rows, blank ones included
    width: int  # columns
    _number: int
    _rows: Path
    _held: Sequence[Chunk] = ()  # what comes before those in the file

    def chunks(self) -> Iterator[tuple[int, Rows]]:
        """Rows of equal width in chunks, each with the number of its first row (from 1)."""
        for number, first, rows in self._held:
            if number == self._number:
                yield first, rows
        with self._rows.open("rb") as file:
            while True:
                try:
                    number, first, rows = PlainValues(file).load()
                except EOFError:
                    return
                if number == self._number:
                    yield first, rows


@dataclass(frozen=True, slots=True)
class Spreadsheet:
    sheets: tuple[Sheet, ...]

    @classmethod
    def of(
        cls, sheets: list[dict[str, Any]], rows: Path, held: Sequence[Chunk] = ()
    ) -> Spreadsheet:
        """The book whose sheets are described so, with their rows in a file."""
        return cls(
            tuple(
                Sheet(sheet["name"], sheet["height"], sheet["width"], number, rows, held)
                for number, sheet in enumerate(sheets)
            )
        )


class PlainValues(pickle.Unpickler):
    """Takes dates and times, and no other class: the values come from a foreign file."""

    def find_class(self, module: str, name: str) -> Any:
        known = {"date": date, "datetime": datetime, "time": time, "timedelta": timedelta}
        if module == "datetime" and name in known:
            return known[name]
        raise SpreadsheetFault(_CUT_OFF)


@contextmanager
def open_spreadsheet(path: Path) -> Iterator[Spreadsheet]:
    """Open a file for reading its sheets; SpreadsheetFault says why one cannot be read."""
    with tempfile.TemporaryDirectory(prefix="sumpwise-") as folder:
        rows = Path(folder) / "rows"
        yield Spreadsheet.of(run_apart(rows_to_file, path, rows), rows)


def read_spreadsheet(path: Path) -> dict[str, Rows]:
    """All rows of a small book by sheet; row 1 of a sheet is at index 0."""
    with open_spreadsheet(path) as spreadsheet:
        return {
            sheet.name: [row for _, rows in sheet.chunks() for row in rows]
            for sheet in spreadsheet.sheets
        }


def run_apart(read: Read, path: Path, target: Path) -> list[dict[str, Any]]:
    """Have one of our functions read a file apart; what it says of each sheet."""
    try:
        answer = read_apart(read, path, target, TIME_LIMIT_S)
    except (EOFError, TimeoutError):
        raise SpreadsheetFault(_CUT_OFF) from None
    if "fault" in answer:
        raise SpreadsheetFault(answer["fault"])
    return list(answer["found"])
