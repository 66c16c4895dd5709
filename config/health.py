"""Two answers for the machine that watches: alive, and ready, with each part named."""

import logging
from collections.abc import Callable
from http import HTTPStatus

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, JsonResponse

from config.database import fitness

log = logging.getLogger(__name__)


@login_not_required
def alive(request: HttpRequest) -> HttpResponse:
    """The process answers; it asks nothing of anybody, for starting it again would mend nothing."""
    return HttpResponse("ok", content_type="text/plain")


@login_not_required
def ready(request: HttpRequest) -> HttpResponse:
    """Whether everything that the work needs is there; without Redis pages and API go on."""
    parts = {name: _state(look) for name, look in PARTS.items()}
    well = all(state == "ok" for state in parts.values())
    status = HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE
    return JsonResponse({"ready": well, "parts": parts}, status=status)


def _state(look: Callable[[], str]) -> str:
    try:
        return look()
    except Exception:
        log.warning("A part is not ready.", exc_info=True)
        return "away"


def database() -> str:
    return fitness()


def broker() -> str:
    from config.celery import app

    with app.connection_for_write() as channel:
        channel.ensure_connection(max_retries=1, timeout=2)
    return "ok"


PARTS: dict[str, Callable[[], str]] = {
    "database": database,
    "Redis" if settings.REDIS_URL else "queue": broker,
}
