"""Which forms a request and an answer may take."""

from typing import Any

from rest_framework.exceptions import NotAcceptable, ParseError
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import JSONParser


class LimitedJSONParser(JSONParser):
    """JSON of a bounded depth; its size is bounded by the settings."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            return super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError("This JSON is nested too deeply.") from None


class Negotiation(DefaultContentNegotiation):
    """An unknown ``?format=`` is a format that is not offered, not an address that is not there."""

    def filter_renderers(self, renderers: Any, format: str) -> Any:
        found = [renderer for renderer in renderers if renderer.format == format]
        if not found:
            raise NotAcceptable(available_renderers=renderers)
        return found
