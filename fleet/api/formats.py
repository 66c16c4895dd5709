"""Which forms a request and an answer may take."""

from functools import partial
from itertools import chain
from secrets import token_hex
from typing import Any

from rest_framework.exceptions import NotAcceptable, ParseError
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import JSONParser
from rest_framework.renderers import JSONRenderer
from rest_framework.utils.encoders import JSONEncoder

from fleet.lasting import Lasting

GAP = token_hex()  # where something lasting goes; nobody can know it, to write it themselves


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


class Renderer(JSONRenderer):
    """JSON, in which what lasts is written once for all answers."""

    def render(
        self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None
    ) -> bytes:
        lasting: list[Lasting] = []
        self.encoder_class = partial(_Encoder, lasting)  # type: ignore[misc, assignment]
        write = super().render
        content: bytes = write(data, accepted_media_type, renderer_context)
        around = content.split(f'"{GAP}"'.encode())
        put_in = [one.written(write) for one in lasting]
        return b"".join(chain.from_iterable(zip(around, [*put_in, b""], strict=True)))


class _Encoder(JSONEncoder):
    """Leaves a gap for what lasts and notes it, unless it is to be indented as well."""

    def __init__(self, lasting: list[Lasting], **options: Any) -> None:
        super().__init__(**options)
        self.lasting = lasting

    def default(self, obj: Any) -> Any:
        if not isinstance(obj, Lasting):
            return super().default(obj)
        if self.indent is not None:
            return obj.plain()
        self.lasting.append(obj)
        return GAP
