"""What goes with every request: a number to quote, and that no answer is stored in a cache."""

import secrets
from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase
from django.utils.cache import add_never_cache_headers

from fleet import trace

GetResponse = Callable[[HttpRequest], HttpResponseBase]
HEADER = "Request-Number"


def number() -> str:
    """Nine digits that can be read out on the telephone: 204-117-993."""
    digits = f"{secrets.randbelow(10**9):09}"
    return "-".join((digits[:3], digits[3:6], digits[6:]))


def numbered(get_response: GetResponse) -> GetResponse:
    """Give the request its number, for the log and for whoever asks about it."""

    def answered(request: HttpRequest) -> HttpResponseBase:
        asked = trace.REQUEST.set(number())
        person = trace.PERSON.set(None)
        try:
            response = get_response(request)
            response[HEADER] = trace.REQUEST.get()
            return response
        finally:
            trace.PERSON.reset(person)
            trace.REQUEST.reset(asked)

    return answered


class OfPerson:
    """Note who is signed in, once that is known."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: object, *given: object) -> None:
        trace.PERSON.set(request.user.pk)


def not_stored(get_response: GetResponse) -> GetResponse:
    """Forbid storing of every answer; files that are the same for everybody never come by here."""

    def answered(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        add_never_cache_headers(response)
        return response

    return answered
