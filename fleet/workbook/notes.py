"""What is wrong or doubtful in a book, each with its place and its remedy."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from fleet.faults import Fault

LISTED = 200  # our choice: nobody reads more at once


@dataclass(frozen=True, slots=True, order=True)
class Note:
    sheet: str
    row: int  # as the spreadsheet numbers it; 0 when it concerns the whole sheet
    heading: str
    message: str

    def __str__(self) -> str:
        row = f", row {self.row}" if self.row else ""
        column = f", column '{self.heading}'" if self.heading else ""
        return f"{self.sheet}{row}{column}: {self.message}."


@dataclass
class Notes:
    faults: list[Note] = field(default_factory=list)
    warnings: list[Note] = field(default_factory=list)

    def fault(self, sheet: str, row: int, heading: str, message: str) -> None:
        self.faults.append(Note(sheet, row, heading, message))

    def warn(self, sheet: str, row: int, heading: str, message: str) -> None:
        self.warnings.append(Note(sheet, row, heading, message))


class BookRefused(Fault):
    """Nothing was loaded; ``faults`` says everything that must be put right first."""

    def __init__(self, faults: Sequence[Note], warnings: Sequence[Note] = ()) -> None:
        self.faults = tuple(faults)
        self.warnings = tuple(warnings)
        listed = [f"  {fault}" for fault in self.faults[:LISTED]]
        if len(self.faults) > LISTED:
            listed.append(f"  … and {len(self.faults) - LISTED} more.")
        count = f"{len(self.faults)} fault{'s' * (len(self.faults) != 1)}"
        super().__init__("\n".join([f"Nothing was loaded: {count} in the workbook.", *listed]))
