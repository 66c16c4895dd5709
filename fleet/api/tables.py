"""Lists as CSV, streamed whole."""

from collections.abc import Iterator

from django.http import StreamingHttpResponse
from rest_framework.renderers import BaseRenderer


class CSVRenderer(BaseRenderer):
    """Names the format for content negotiation; the view streams the rows itself."""

    media_type = "text/csv"
    format = "csv"


def csv_response(name: str, lines: Iterator[str]) -> StreamingHttpResponse:
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response
