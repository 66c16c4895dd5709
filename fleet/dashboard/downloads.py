"""Lists as files to keep."""

from collections.abc import Callable, Iterable, Sequence

from django.http import HttpResponse

from fleet.tables import Cell, csv_bytes, xlsx_bytes

CSV = "csv"
XLSX = "xlsx"
SHEET_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def table_file(
    name: str, ending: str, headings: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> HttpResponse:
    """A table as a CSV or XLSX file."""
    write: dict[str, tuple[str, Callable[..., bytes]]] = {
        CSV: ("text/csv; charset=utf-8", csv_bytes),
        XLSX: (SHEET_TYPE, xlsx_bytes),
    }
    content_type, to_bytes = write[ending]
    response = HttpResponse(to_bytes(headings, rows), content_type=content_type)
    response["Content-Disposition"] = f'attachment; filename="{name}.{ending}"'
    return response
