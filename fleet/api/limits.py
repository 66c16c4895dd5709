"""How often a person may ask; while Redis is away, each process counts for itself."""

import logging
import time
from typing import Any, ClassVar

from django.core.cache import caches
from redis.exceptions import RedisError
from rest_framework.request import Request
from rest_framework.throttling import UserRateThrottle

log = logging.getLogger(__name__)
LOOK_AGAIN_S = 30.0  # our choice


class Limit(UserRateThrottle):
    """Requests of a person in a minute."""

    away_until_s: ClassVar[float] = 0.0

    def allow_request(self, request: Request, view: Any) -> bool:
        """Count where all processes count, or here while that is away."""
        if time.monotonic() >= Limit.away_until_s:
            try:
                allowed: bool = super().allow_request(request, view)
            except (RedisError, OSError):
                self._note()
            else:
                Limit.away_until_s = 0.0
                return allowed
        self.cache = caches["of this process"]
        return bool(super().allow_request(request, view))

    @staticmethod
    def _note() -> None:
        if not Limit.away_until_s:  # one line for as long as it is away
            log.warning("Redis is away: each process counts requests for itself until it is back.")
        Limit.away_until_s = time.monotonic() + LOOK_AGAIN_S
