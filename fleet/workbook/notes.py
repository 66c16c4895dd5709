"""What is wrong or doubtful in a book, each with its place and its remedy."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from fleet.faults import Fault

LISTED = 200  # our choice: nobody reads more at once
DOUBTS_LISTED = 20  # our choice: beside faults


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
    """Nothing was loaded; ``faults`` says everything that must be put right first, and
    ``warnings`` what is doubtful besides."""

    def __init__(self, faults: Sequence[Note], warnings: Sequence[Note] = ()) -> None:
        self.faults = tuple(faults)
        self.warnings = tuple(warnings)
        listed = [f"  {fault}" for fault in self.faults[:LISTED]]
        if len(self.faults) > LISTED:
            listed.append(f"  … and {len(self.faults) - LISTED} more.")
        count = f"{len(self.faults)} fault{'s' * (len(self.faults) != 1)}"
        if self.warnings:
            places = f"{len(self.warnings)} doubtful place{'s' * (len(self.warnings) != 1)}"
            listed += [f"Look at {places} besides:"]
            listed += [f"  {warning}" for warning in self.warnings[:DOUBTS_LISTED]]
        if len(self.warnings) > DOUBTS_LISTED:
            listed.append(f"  … and {len(self.warnings) - DOUBTS_LISTED} more.")
        super().__init__("\n".join([f"Nothing was loaded: {count} in the workbook.", *listed]))
