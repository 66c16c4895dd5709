"""Guessing passwords is slowed down on every way in: page, administration and API."""

from hashlib import sha256
from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from fleet.people.models import Person

WAIT_S = 15 * 60  # our choice, as are the three figures below
LIMITS = {
    "name and address": 5,
    "address": 30,
    "name": 50,  # high, so that a stranger cannot lock a person out with five tries
}


class SlowedBackend(ModelBackend):
    """Names and passwords, refused unseen after too many failures."""

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        **others: Any,
    ) -> Person | None:
        name, address = username or "", _address(request)
        if refused(name, address):
            raise PermissionDenied
        person = super().authenticate(request, username, password, **others)
        if person is None:
            _count(name, address)
        elif isinstance(person, Person):
            cache.delete_many(list(_keys(name, address))[:1])
            return person
        return None


def refused(name: str, address: str) -> bool:
    """Whether a name from an address has to wait (at most ``WAIT_S`` [s])."""
    counts = cache.get_many(_keys(name, address))
    return any(counts.get(key, 0) >= limit for key, limit in _keys(name, address).items())


def _count(name: str, address: str) -> None:
    for key in _keys(name, address):
        cache.add(key, 0, WAIT_S)
        try:
            cache.incr(key)
        except ValueError:  # lapsed in between
            cache.set(key, 1, WAIT_S)


def _keys(name: str, address: str) -> dict[str, int]:
    """Cache keys of the three counts, the pair first, with their limits."""
    name = name.casefold()
    who = {"name and address": f"{name}\n{address}", "address": address, "name": name}
    return {
        f"sign-in:{what}:{sha256(text.encode('utf-8', 'replace')).hexdigest()}".replace(
            " ", "-"
        ): LIMITS[what]
        for what, text in who.items()
    }


def _address(request: HttpRequest | None) -> str:
    return str(request.META.get("REMOTE_ADDR", "")) if request else ""
