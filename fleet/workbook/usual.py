"""What a new book holds to start with: the usual duty criteria, each with its source, off."""

import csv

from django.conf import settings

from fleet.workbook.cells import Cell
from fleet.workbook.duty_sheets import CRITERIA

OFF = {"in_force": "no"}


def usual_criteria() -> list[list[Cell]]:
    """Rows of the sheet Duty criteria; nothing is judged by them until they are switched on."""
    path = settings.BASE_DIR / "fixtures" / "criteria.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = [row | OFF for row in csv.DictReader(file)]
    return [[row[column.name] for column in CRITERIA.columns] for row in rows]
