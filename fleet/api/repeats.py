"""A request sent again after a lost answer has its effect once: ``Idempotency-Key``.

The claim on a key is committed first, so that a second request sees it and is told to wait. The
effect and its answer are then committed together: a process that dies leaves both or neither, and
a claim without an answer may be taken over once it is too old to be alive.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.utils import timezone
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.encoders import JSONEncoder

from fleet import chain
from fleet.api.errors import Problem
from fleet.api.signin import caller
from fleet.runs import repeats
from fleet.runs.models import RepeatKey


@dataclass(frozen=True, slots=True)
class Answer:
    body: Any
    status: HTTPStatus = HTTPStatus.OK
    location: str = ""

    def response(self, repeated: bool = False) -> Response:
        headers = {"Location": self.location} if self.location else {}
        if repeated:
            headers["Idempotency-Replayed"] = "true"
        return Response(self.body, status=self.status, headers=headers)


def refreshed(vehicle_id: int) -> Callable[[Answer], Answer]:
    """What follows an effect, for ``once``: the vehicle is brought up to date."""

    def afterwards(answer: Answer) -> Answer:
        chain.refresh([vehicle_id], timezone.now())
        return answer

    return afterwards


def once(
    request: Request,
    effect: Callable[[], Answer],
    afterwards: Callable[[Answer], Answer] | None = None,
    content: Any = None,
) -> Response:
    """Have an effect once for each key, and give its first answer to every repetition.

    Parameters
    ----------
    effect
        Runs in one transaction together with the record of its answer.
    afterwards
        What follows outside that transaction (it may take long) and completes the answer.
    content
        What makes this request the same as another, by default its body.
    """
    key = _key(request)
    if key is None:
        with transaction.atomic():
            answer = effect()
        return (afterwards(answer) if afterwards else answer).response()
    claim = _claim(request, key, _hash(request, content))
    if claim.status is not None:
        return _first(claim).response(repeated=True)
    return _run(claim, effect, afterwards).response()


def _run(
    claim: RepeatKey, effect: Callable[[], Answer], afterwards: Callable[[Answer], Answer] | None
) -> Answer:
    try:
        with transaction.atomic():
            answer = effect()
            _keep(claim, answer)
    except BaseException:
        repeats.let_go(claim)
        raise
    if afterwards is not None:
        answer = afterwards(answer)
        repeats.completed(claim, _stored(answer))
    return answer


def _keep(claim: RepeatKey, answer: Answer) -> None:
    if not repeats.answered(claim, answer.status, _stored(answer)):
        raise _running()


def _claim(request: Request, key: str, digest: str) -> RepeatKey:
    now = timezone.now()
    claim, made = repeats.claim(caller(request).pk, key, digest, now)
    if made:
        return claim
    if claim.request_hash != digest:
        raise Problem(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            "key_reused",
            "This Idempotency-Key came with another request before: use a new key.",
        )
    if claim.status is None and not repeats.take_over(claim, now):
        raise _running()
    return claim


def _running() -> Problem:
    return Problem(
        HTTPStatus.CONFLICT,
        "still_running",
        "The first request with this Idempotency-Key is still running: ask again shortly.",
    )


def _key(request: Request) -> str | None:
    key = request.headers.get("Idempotency-Key")
    if key is None:
        return None
    if not (1 <= len(key) <= 200 and key.isascii() and key.isprintable()):
        raise Problem(
            HTTPStatus.BAD_REQUEST,
            "key_unusable",
            "An Idempotency-Key has 1 to 200 printable ASCII characters.",
        )
    return key


def _hash(request: Request, content: Any) -> str:
    said = request.data if content is None else content
    text = json.dumps([request.method, request.path.rstrip("/"), said], sort_keys=True, default=str)
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def digest(file: Any) -> str:
    """What tells a file that was sent from another; the file is at its beginning afterwards."""
    found = sha256()
    for chunk in file.chunks():
        found.update(chunk)
    file.seek(0)
    return found.hexdigest()


def _stored(answer: Answer) -> Any:
    plain = json.loads(json.dumps(answer.body, cls=JSONEncoder))
    return {"body": plain, "location": answer.location}


def _first(claim: RepeatKey) -> Answer:
    kept: Any = claim.body
    return Answer(kept["body"], HTTPStatus(claim.status or 0), kept["location"])
