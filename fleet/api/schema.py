"""OpenAPI 3.1 of the whole, built from the views; no page of it leaves this server."""

from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter

from fleet.api.errors import ProblemShape

ALWAYS = (400, 401, 403, 404, 406, 429)
WITH_BODY = (409, 413, 415, 422)
WITH_CONDITION = (412, 428)

REPEAT_KEY = OpenApiParameter(
    "Idempotency-Key",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description="A request repeated with the same key and body within 30 days has its effect "
    "once and gets its first answer again. 1 to 200 printable ASCII characters.",
    pattern="^[ -~]{1,200}$",
)
IF_MATCH = OpenApiParameter(
    "If-Match",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    required=True,
    description="The ETag of what was seen. Without it 428; when it has changed since, 412.",
)


class ResourceSchema(AutoSchema):
    """Adds what all views share: every refusal, the repeat key and the condition."""

    def get_override_parameters(self) -> list[Any]:
        found = list(super().get_override_parameters())
        if self.method in getattr(self.view, "repeatable", ()):
            found.append(REPEAT_KEY)
        if self.method in getattr(self.view, "conditional", ()):
            found.append(IF_MATCH)
        return found

    def get_tags(self) -> list[str]:
        return [getattr(self.view, "scope", "api")]

    def _get_serializer_name(self, serializer: Any, direction: Any, *given: Any) -> str:
        return str(super()._get_serializer_name(serializer, direction, *given)).removesuffix(
            "Shape"
        )

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        bodies = super()._get_response_bodies(direction)
        if direction == "response":
            shape = self.resolve_serializer(ProblemShape, direction).ref
            bodies.update(
                {
                    str(status): {
                        "description": HTTPStatus(status).phrase,
                        "content": {"application/problem+json": {"schema": shape}},
                    }
                    for status in self._refusals()
                }
            )
        return bodies

    def _refusals(self) -> Iterator[int]:
        yield from ALWAYS
        if self.method in {"POST", "PATCH", "PUT"}:
            yield from WITH_BODY
        if self.method in getattr(self.view, "conditional", ()):
            yield from WITH_CONDITION
        if self.method in getattr(self.view, "versioned", ()):
            yield int(HTTPStatus.PRECONDITION_FAILED)
