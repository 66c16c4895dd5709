"""A row of the book while its rules are held against it."""

from collections.abc import Callable
from typing import Any

from fleet.workbook.columns import Row
from fleet.workbook.notes import Notes
from fleet.workbook.read import Table
from fleet.workbook.world import World


class Record:
    """A row of the book whose values are asked for by column name."""

    def __init__(self, table: Table, row: Row, number: int, notes: Notes) -> None:
        self.sheet, self.row, self.number, self.notes = table.sheet, row, number, notes

    def __getitem__(self, name: str) -> Any:
        return self.row[self.sheet.at[name]]

    def fault(self, name: str, message: str) -> None:
        self.notes.fault(self.sheet.name, self.number, self.sheet.column(name).heading, message)

    def warn(self, name: str, message: str) -> None:
        self.notes.warn(self.sheet.name, self.number, self.sheet.column(name).heading, message)


Rule = Callable[[World, Record], None]
