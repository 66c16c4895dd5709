"""What is answered where no view answers: as a page, or to programs as a problem."""

import errno
import sys
from http import HTTPStatus

from django.db import DatabaseError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, HttpResponseBase

from config.requests import GetResponse
from fleet import trace
from fleet.api.errors import problem
from fleet.dashboard.views import errors as pages

AWAY = "The database does not answer just now. Nothing was lost that was saved before; try again."
DAMAGED = "The database is damaged. Tell whoever runs the program: a backup must take its place."
FULL = (
    "The disk is full, so nothing of this was kept. Tell whoever runs the program, and send it "
    "again when there is room."
)
AGAIN_S = 10  # our choice


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    text = "This request cannot be read."
    return _said(request, HTTPStatus.BAD_REQUEST, "parse_error", text)


def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    if not _by_program(request):
        return pages.not_allowed(request, exception)
    return _problem(HTTPStatus.FORBIDDEN, "permission_denied", str(exception or "Not allowed."))


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    if not _by_program(request):
        return pages.not_found(request, exception)
    return _problem(HTTPStatus.NOT_FOUND, "not_found", "There is no such thing.")


def said_of_forms(get_response: GetResponse) -> GetResponse:
    """Say in a page, too, that there is nothing to look at where only forms are sent to."""

    def answered(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        refused = response.status_code == HTTPStatus.METHOD_NOT_ALLOWED
        if not refused or request.method != "GET" or _by_program(request):
            return response
        page = pages.only_forms(request)
        page["Allow"] = response["Allow"]
        return page

    return answered


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    if not _by_program(request):
        return pages.stale_form(request, reason)
    return _problem(HTTPStatus.FORBIDDEN, "csrf", "The mark against forged forms is missing.")


def broken(request: HttpRequest) -> HttpResponse:
    """After a fault nothing may be asked of the database, not even who is signed in."""
    error = sys.exc_info()[1]
    if isinstance(error, OperationalError | InterfaceError):
        response = _said(request, HTTPStatus.SERVICE_UNAVAILABLE, "database_away", AWAY)
        response["Retry-After"] = str(AGAIN_S)
        return response
    if type(error) is DatabaseError:  # of SQLite: malformed, or no database at all
        return _said(request, HTTPStatus.INTERNAL_SERVER_ERROR, "database_damaged", DAMAGED)
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
        return _said(request, HTTPStatus.INSUFFICIENT_STORAGE, "disk_full", FULL)
    if not _by_program(request):
        return pages.broken(request)
    text = f"Something broke. Quote the number {trace.REQUEST.get()} to whoever runs the program."
    return _problem(HTTPStatus.INTERNAL_SERVER_ERROR, "broken", text)


def _by_program(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def _said(request: HttpRequest, status: HTTPStatus, code: str, text: str) -> HttpResponse:
    if _by_program(request):
        return _problem(status, code, text)
    return pages.said(status, text)


def _problem(status: HTTPStatus, code: str, text: str) -> HttpResponse:
    return problem(status, [{"pointer": "#", "code": code, "detail": text}])
