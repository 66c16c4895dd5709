"""Lists as tables of their own, that a spreadsheet opens without running anything in them."""

import csv
from collections.abc import Iterable, Sequence
from datetime import date
from io import BytesIO, StringIO
from typing import Any

Cell = str | float | int | date | bool | None
# OWASP, "CSV Injection": a cell that begins with one of these may be taken for a formula
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def unlike_a_formula(cell: Any) -> Any:
    """A spreadsheet must not run what somebody typed as a name."""
    risky = isinstance(cell, str) and cell.startswith(FORMULA_STARTS)
    return f"'{cell}" if risky else cell


def csv_line(cells: Iterable[Any]) -> str:
    """One line for programs: yes and no are true and false, as in JSON."""
    text = StringIO()
    csv.writer(text).writerow(
        str(cell).lower() if isinstance(cell, bool) else unlike_a_formula(cell) for cell in cells
    )
    return text.getvalue()


def csv_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """A whole table for people."""
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(headings)
    writer.writerows([unlike_a_formula(_words(cell)) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")  # the mark tells spreadsheets that it is UTF-8


def xlsx_bytes(
    headings: Sequence[str], rows: Iterable[Sequence[Cell]], sheet_name: str | None = None
) -> bytes:
    """A whole table as a workbook of one sheet; texts stay texts, dates are dates."""
    import xlsxwriter

    kept = BytesIO()
    workbook = xlsxwriter.Workbook(kept, {"in_memory": True, "default_date_format": "yyyy-mm-dd"})
    sheet, bold = workbook.add_worksheet(sheet_name), workbook.add_format({"bold": True})
    for column, heading in enumerate(headings):
        sheet.write_string(0, column, heading, bold)
    for number, row in enumerate(rows, start=1):
        for column, cell in enumerate(row):
            _write_cell(sheet, number, column, cell)
    sheet.freeze_panes(1, 0)
    sheet.autofit()
    workbook.close()
    return kept.getvalue()


def _words(cell: Cell) -> Cell:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    return cell.isoformat() if isinstance(cell, date) else cell


def _write_cell(sheet: Any, row: int, column: int, cell: Cell) -> None:
    if isinstance(cell, date):
        sheet.write_datetime(row, column, cell)
    elif isinstance(cell, (bool, str)):
        sheet.write_string(row, column, str(_words(cell)))
    elif cell is not None:
        sheet.write_number(row, column, cell)
