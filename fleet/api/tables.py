"""Lists as CSV, streamed whole, that a spreadsheet opens without running anything in them."""

import csv
from collections.abc import Iterable, Iterator
from io import StringIO
from typing import Any

from django.http import StreamingHttpResponse
from rest_framework.renderers import BaseRenderer

# OWASP, "CSV Injection": a cell that begins with one of these may be taken for a formula
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


class CSVRenderer(BaseRenderer):
    """Names the format for content negotiation; the view streams the rows itself."""

    media_type = "text/csv"
    format = "csv"


def csv_response(name: str, lines: Iterator[str]) -> StreamingHttpResponse:
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


def csv_line(cells: Iterable[Any]) -> str:
    text = StringIO()
    csv.writer(text).writerow([_cell(cell) for cell in cells])
    return text.getvalue()


def _cell(cell: Any) -> Any:
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS):
        return "'" + cell
    return cell
