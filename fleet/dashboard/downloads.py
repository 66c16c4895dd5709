"""Lists as files that a spreadsheet opens without running anything in them."""

import csv
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from io import BytesIO, StringIO
from typing import Any

from django.http import HttpResponse

Cell = str | float | int | date | bool | None
CSV = "csv"
XLSX = "xlsx"
SHEET_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# OWASP, "CSV Injection": cells that begin with one of these may be taken for a formula
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def table_file(
    name: str, ending: str, headings: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> HttpResponse:
    """A table as a CSV or XLSX file to keep."""
    write: dict[str, tuple[str, Callable[..., bytes]]] = {
        CSV: ("text/csv; charset=utf-8", csv_bytes),
        XLSX: (SHEET_TYPE, xlsx_bytes),
    }
    content_type, to_bytes = write[ending]
    response = HttpResponse(to_bytes(headings, rows), content_type=content_type)
    response["Content-Disposition"] = f'attachment; filename="{name}.{ending}"'
    return response


def csv_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(headings)
    writer.writerows([_csv_cell(cell) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")  # the mark tells spreadsheets that it is UTF-8


def xlsx_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    import xlsxwriter

    kept = BytesIO()
    book = xlsxwriter.Workbook(kept, {"in_memory": True, "default_date_format": "yyyy-mm-dd"})
    sheet = book.add_worksheet()
    for column, heading in enumerate(headings):
        sheet.write_string(0, column, heading, book.add_format({"bold": True}))
    for number, row in enumerate(rows, start=1):
        for column, cell in enumerate(row):
            _write_cell(sheet, number, column, cell)
    sheet.freeze_panes(1, 0)
    sheet.autofit()
    book.close()
    return kept.getvalue()


def _csv_cell(cell: Cell) -> Cell:
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS):
        return "'" + cell
    return _words(cell)


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
