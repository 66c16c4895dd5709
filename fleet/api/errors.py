"""Every refusal has one shape: ``application/problem+json`` (RFC 9457).

``errors`` names each fault: where (``#/rows/3/value`` points into the body, ``?limit`` at a
query parameter, ``#`` at the whole), a code for programs and a sentence for people.
"""

from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied as DjangoPermissionDenied
from django.core.exceptions import RequestDataTooBig, SuspiciousOperation
from django.http import Http404, HttpResponse, JsonResponse
from rest_framework import serializers
from rest_framework.exceptions import (
    APIException,
    ErrorDetail,
    NotFound,
    ParseError,
    PermissionDenied,
    ValidationError,
)

from fleet.faults import Fault, Forbidden, Question, Refused, Stale


class Problem(APIException):
    """A refusal with a status, a code and a sentence, perhaps about one value of the body."""

    def __init__(self, status: int, code: str, detail: str, about: str = "") -> None:
        super().__init__(detail, code)
        self.status_code = status
        if about:
            self.detail = {about: self.detail}


# what the program itself says no to; the first that fits counts
FAULTS: dict[type[Fault], tuple[HTTPStatus, str]] = {
    Forbidden: (HTTPStatus.FORBIDDEN, "forbidden"),
    Stale: (HTTPStatus.PRECONDITION_FAILED, "changed_meanwhile"),
    Question: (HTTPStatus.CONFLICT, "question"),
    Refused: (HTTPStatus.CONFLICT, "refused_as_it_stands"),
    Fault: (HTTPStatus.UNPROCESSABLE_ENTITY, "fault"),
}


ANSWERS = {"restrictions": "Answer each by its id: lifted or stays."}
GO_ON = {"override_reason": "Say why the value stands; it is kept with the record."}
GO_ON_ABOUT = {
    "because": {"because": "Say why it is done all the same; it is kept with what is left out."},
    "quantity": {"quantity": "Give it again with its unit in full, as a candidate has it."},
    "corrects": {"corrects": "Send the row with true: it takes the place of the first."},
    "why_it_stands": {"why_it_stands": "Say in the row why the value stands; it is kept."},
}


class QueryFault(ValidationError):
    """Parameters behind the question mark that cannot be used."""


def answer(exc: Exception, context: dict[str, Any]) -> HttpResponse | None:
    """Turn an exception of a view into a problem; leave the program's own faults alone."""
    refusal = _as_refusal(exc)
    if refusal is None:
        return None
    response = problem(refusal.status_code, list(_errors(refusal)), **_way_on(exc))
    if header := getattr(refusal, "auth_header", None):
        response["WWW-Authenticate"] = header
    if wait_s := getattr(refusal, "wait", None):
        response["Retry-After"] = str(int(wait_s) + 1)
    return response


def _way_on(exc: Exception) -> dict[str, Any]:
    """What a question adds: what may have been meant, and what to send if it stands."""
    if not isinstance(exc, Question):
        return {}
    return {"candidates": list(exc.candidates), "to_go_on": _to_go_on(exc)}


def _to_go_on(question: Question) -> dict[str, str]:
    if question.about in ANSWERS:
        return ANSWERS
    if question.doubts:
        return {"override_reasons": f"Give a reason for each: {', '.join(question.doubts)}."}
    too_much = question.about == "quantity" and "US or imperial" not in str(question)
    return GO_ON if too_much else GO_ON_ABOUT.get(question.about, GO_ON)


def problem(status: int, errors: list[dict[str, str]], **more: Any) -> HttpResponse:
    """The answer; ``more`` are members of its own that a kind of problem carries."""
    detail = errors[0]["detail"]
    if len(errors) > 1:
        detail = f"{len(errors)} values cannot be used; the first: {detail}"
    return JsonResponse(
        {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": int(status),
            "detail": detail,
            "errors": errors,
            **more,
        },
        status=int(status),
        content_type="application/problem+json",
    )


def _as_refusal(exc: Exception) -> APIException | None:
    if isinstance(exc, Http404):
        return NotFound(str(exc) or "There is no such thing within your depots.")
    if isinstance(exc, DjangoPermissionDenied):
        return PermissionDenied(str(exc) or None)
    if isinstance(exc, RequestDataTooBig):
        return Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "too_large", "Send less at once.")
    if isinstance(exc, SuspiciousOperation):
        return ParseError("This request cannot be read.")
    if isinstance(exc, Fault):
        return Problem(_told(exc)[0], code_of(exc), str(exc), exc.about)
    return exc if isinstance(exc, APIException) else None


def code_of(fault: Fault) -> str:
    """The code for programs of what the program itself says no to."""
    return _told(fault)[1]


def _told(fault: Fault) -> tuple[HTTPStatus, str]:
    return next(told for kind, told in FAULTS.items() if isinstance(fault, kind))


def _errors(refusal: APIException) -> Iterator[dict[str, str]]:
    if isinstance(refusal, QueryFault):
        for pointer, error in _leaves(refusal.detail, ()):
            yield _error("?" + "/".join(pointer), error)
    else:
        for pointer, error in _leaves(refusal.detail, ()):
            yield _error("/".join(["#", *map(_escaped, pointer)]), error)


def _error(pointer: str, error: ErrorDetail) -> dict[str, str]:
    return {"pointer": pointer, "code": str(error.code), "detail": str(error)}


def _leaves(detail: Any, at: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], ErrorDetail]]:
    if isinstance(detail, dict):
        for name, inner in detail.items():
            whole = name == "non_field_errors"
            yield from _leaves(inner, at if whole else (*at, str(name)))
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            deeper = (*at, str(index)) if isinstance(inner, dict | list) else at
            yield from _leaves(inner, deeper)
    else:
        yield at, detail


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")  # RFC 6901


class ErrorShape(serializers.Serializer[Any]):
    pointer = serializers.CharField(help_text="`#/…` into the body, `?…` a query parameter")
    code = serializers.CharField()
    detail = serializers.CharField()


class ProblemShape(serializers.Serializer[Any]):
    """RFC 9457."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = ErrorShape(many=True)  # type: ignore[assignment]
    candidates = serializers.ListField(
        child=serializers.CharField(),
        required=False,
        help_text="With the code `question`: what may have been meant, likeliest first",
    )
    to_go_on = serializers.DictField(
        child=serializers.CharField(),
        required=False,
        help_text="With the code `question`: what to add to the same body, where the value stands",
    )
