"""Two answers for the machine that watches: alive, and ready, with each part named.

Neither asks who wants to know, or by which name or address: a load balancer has no name for us.
"""

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from http import HTTPStatus

from django.conf import settings
from django.db import connection, connections
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from config.database import fitness
from config.requests import GetResponse

log = logging.getLogger(__name__)

WITHIN_S = 1.0  # our choice: whoever watches asks every few seconds, and waits a few at most
# a look at a database that hangs ends by itself; libpq takes no less than 2 s to connect
SOON = {"connect_timeout": 2, "tcp_user_timeout": 2_000}
DATABASE = "database"


class Part:
    """Looked at in a thread of its own, once at a time: whoever asks meanwhile shares the look.

    So a part that hangs keeps one thread of a process, however often it is asked about.
    """

    def __init__(self, look: Callable[[], str]) -> None:
        self.look = look
        self.lock = threading.Lock()
        self.began_s = 0.0
        self.found: Future[str] = Future()
        self.found.cancel()  # none yet

    def begin(self) -> None:
        with self.lock:
            if self.found.done():
                self.found, self.began_s = Future(), time.monotonic()
                threading.Thread(target=self._look, args=(self.found,), daemon=True).start()

    def state(self) -> str:
        """What the look that was begun has found, or that it takes too long."""
        left_s = self.began_s + WITHIN_S - time.monotonic()
        try:
            return self.found.result(max(0.0, left_s))
        except TimeoutError:
            return "away"

    def _look(self, found: "Future[str]") -> None:
        try:
            found.set_result(self.look())
        except Exception:
            log.warning("A part is not ready.", exc_info=True)
            found.set_result("away")


@never_cache
@require_safe
def alive(request: HttpRequest) -> HttpResponse:
    """The process answers; it asks nothing of anybody, for starting it again would mend nothing."""
    return HttpResponse("ok", content_type="text/plain")


@never_cache
@require_safe
def ready(request: HttpRequest) -> HttpResponse:
    """Whether pages can be had here; they go on without Redis, which is named all the same."""
    for part in PARTS.values():
        part.begin()
    parts = {name: part.state() for name, part in PARTS.items()}
    well = parts[DATABASE] == "ok"
    status = HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE
    return JsonResponse({"ready": well, "parts": parts}, status=status)


def told_to_anybody(get_response: GetResponse) -> GetResponse:
    """Answer here, before hosts, sessions and people are looked at."""

    def answered(request: HttpRequest) -> HttpResponseBase:
        return ANSWERS.get(request.path_info, get_response)(request)

    return answered


def database() -> str:
    """By a connection of its own: those of the pages may hang, and wait for as long as it takes."""
    own = connection.copy()
    if own.vendor == "postgresql":
        own.settings_dict["OPTIONS"] |= SOON
    connections[own.alias] = own  # of this thread
    try:
        return fitness()
    finally:
        own.close()


def broker() -> str:
    from config.celery import app

    with app.connection_for_write() as channel:
        channel.ensure_connection(max_retries=1, timeout=2)
    return "ok"


ANSWERS: dict[str, GetResponse] = {"/health": alive, "/ready": ready}
PARTS = {DATABASE: Part(database), "Redis" if settings.REDIS_URL else "queue": Part(broker)}
