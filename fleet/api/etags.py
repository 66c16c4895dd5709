"""Nobody overwrites what they have not seen: entity tags and ``If-Match`` (RFC 9110)."""

import json
from collections.abc import Sequence
from hashlib import sha256
from http import HTTPStatus
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.utils.cache import get_conditional_response
from django.utils.http import parse_etags
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.api.errors import Problem
from fleet.api.paging import listed


def tag(shown: dict[str, Any]) -> str:
    """A strong entity tag of what is shown: another tag as soon as anything in it differs."""
    return _of_bytes(json.dumps(shown, cls=DjangoJSONEncoder, sort_keys=True).encode())


def _of_bytes(content: bytes) -> str:
    return f'"{sha256(content).hexdigest()[:32]}"'


def shown(request: Request, found: dict[str, Any], mark: str = "") -> Any:
    """One thing with its tag (by default of all that is shown), or 304 for who has it already."""
    mark = mark or tag(found)
    whole = Response(found, headers={"ETag": mark})
    answer: Any = get_conditional_response(request._request, etag=mark, response=whole)
    if answer.status_code == HTTPStatus.PRECONDITION_FAILED:
        raise _changed()
    return answer


def listed_with_tag(request: Request, rows: Sequence[Any], following: str | None) -> Any:
    """A page of a list with its tag, which is of the bytes sent, or 304 for who has it already."""
    answer = listed(rows, following)
    answer.accepted_renderer = request.accepted_renderer  # as the view would set it afterwards
    answer.accepted_media_type = request.accepted_media_type
    answer.renderer_context = {"request": request}  # type: ignore[attr-defined]
    answer["ETag"] = mark = _of_bytes(answer.render().content)
    return get_conditional_response(request._request, etag=mark, response=answer)


def require_match(request: Request, current: dict[str, Any]) -> None:
    """Refuse a change by a caller who does not say, or no longer knows, what is changed."""
    given = if_match(request)
    if given != "*" and tag(current) not in parse_etags(given):
        raise _changed()


def if_match(request: Request) -> str:
    """The tags that a change is asked under."""
    given = request.headers.get("If-Match")
    if given is None:
        raise Problem(
            HTTPStatus.PRECONDITION_REQUIRED,
            "if_match_required",
            "Send If-Match with the ETag of what you saw.",
        )
    return given.strip()


def _changed() -> Problem:
    return Problem(
        HTTPStatus.PRECONDITION_FAILED,
        "changed_meanwhile",
        "This has changed since you saw it: fetch it again, then decide.",
    )
