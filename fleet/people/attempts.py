"""Guessing passwords is slowed down, without locking anybody out: counted in the database.

Four counts, each with a wait that doubles from one failure to the next. A browser in which the
person signed in before carries a mark and has a count of its own, so whoever guesses elsewhere,
even from the same address, keeps nobody out of a browser they know. From anywhere else the name
at this address counts, and more leniently the whole address and the name everywhere.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Any

from django.conf import settings
from django.contrib.auth.backends import ModelBackend
from django.core import signing
from django.core.exceptions import PermissionDenied
from django.db.models import F
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import get_random_string

from fleet.people.models import Failures, Person

FORGOTTEN_AFTER = timedelta(days=1)  # our choice, as are the limits below
MARK = "known-browser"
MARK_LASTS = timedelta(days=400)  # browsers keep no cookie longer
TRIES = 5  # to get a count right while others count too


@dataclass(frozen=True)
class Limit:
    """From so many failures on each one is followed by a wait, doubling up to the longest."""

    failures: int
    first_s: int
    longest_s: int

    def wait(self, failures: int) -> timedelta:
        doublings = min(failures - self.failures, 20)
        return timedelta(
            seconds=0 if doublings < 0 else min(self.first_s * 2**doublings, self.longest_s)
        )


LIMITS = {
    "browser": Limit(5, 30, 900),
    "name and address": Limit(5, 30, 900),
    "address": Limit(30, 2, 60),  # a workshop shares one address
    "name": Limit(50, 2, 60),
}


class SlowedBackend(ModelBackend):
    """Names and passwords, refused unseen while they have to wait."""

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        **others: Any,
    ) -> Person | None:
        name, now = username or "", timezone.now()
        counts = list(_counts(name, request))
        # counted as failed beforehand, so that many at once do not slip through together
        if waits_s(name, request) or not all(_count(*count, now) for count in counts):
            raise PermissionDenied
        person = super().authenticate(request, username, password, **others)
        if isinstance(person, Person):
            _uncount(counts)
            return person
        return None


def waits_s(name: str, request: HttpRequest | None) -> int:
    """How long this name has to wait here before the next try [s]; 0: not at all."""
    digests = [digest for _, digest in _counts(name, request)]
    now = timezone.now()
    until = Failures.objects.filter(digest__in=digests, wait_until__gt=now)
    return max((int((row.wait_until - now).total_seconds()) + 1 for row in until), default=0)


def address_of(request: HttpRequest | None) -> str:
    """Where a request comes from; what a proxy says of it counts as far as is set.

    Each proxy adds the address it was asked from at the end. Whatever stands before the entries
    of our own proxies was written by the caller.
    """
    if request is None:
        return ""
    said = str(request.META.get("HTTP_X_FORWARDED_FOR", "")).split(",")
    if settings.PROXIES and len(said) >= settings.PROXIES and said[-settings.PROXIES].strip():
        return said[-settings.PROXIES].strip()
    return str(request.META.get("REMOTE_ADDR", ""))


def mark_for(name: str) -> tuple[str, str]:
    """Name and value of the cookie of a browser in which this person has signed in."""
    return _cookie(name), signing.dumps([name.casefold(), get_random_string(16)], salt=MARK)


def _cookie(name: str) -> str:
    """One for each person, as a workshop may share one browser; it tells nobody's name."""
    return f"{MARK}-{_digest(MARK, name.casefold())[:12]}"


def _digest(kind: str, text: str) -> str:
    return sha256(f"{kind}\n{text}".encode("utf-8", "replace")).hexdigest()


def _counts(name: str, request: HttpRequest | None) -> Iterator[tuple[str, str]]:
    """Kind and digest of every count that a try falls under."""
    name, address = name.casefold(), _network(address_of(request))
    known = _known(name, request)
    who = (
        {"browser": known}
        if known
        else {"name and address": f"{name}\n{address}", "address": address, "name": name}
    )
    for kind, text in who.items():
        yield kind, _digest(kind, text)


def _known(name: str, request: HttpRequest | None) -> str:
    """The mark of this browser, if it is one of this name; else empty."""
    mark = request.COOKIES.get(_cookie(name), "") if request else ""
    try:
        marked, _ = signing.loads(mark, salt=MARK, max_age=MARK_LASTS)
    except (signing.BadSignature, ValueError, TypeError):
        return ""
    return mark if marked == name else ""


def _network(address: str) -> str:
    """The address, or of a sixth-version one the /64 that a single customer has to themselves."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if isinstance(found, IPv6Address) and not found.ipv4_mapped:
        return str(ip_network((found, 64), strict=False))
    return str(getattr(found, "ipv4_mapped", None) or found)


def _count(kind: str, digest: str, now: datetime) -> bool:
    """Count one more failure; False while there is a wait, which then grows no longer."""
    for _ in range(TRIES):
        row, new = Failures.objects.get_or_create(
            digest=digest, defaults={"last_at": now, "wait_until": now}
        )
        if new:
            Failures.objects.filter(last_at__lt=now - FORGOTTEN_AFTER).delete()
        if row.wait_until > now:
            return False
        old = row.failures if row.last_at >= now - FORGOTTEN_AFTER else 0
        unchanged = Failures.objects.filter(pk=row.pk, failures=row.failures, last_at=row.last_at)
        wait = LIMITS[kind].wait(old + 1)
        if unchanged.update(failures=old + 1, last_at=now, wait_until=now + wait):
            return True
    return False


def _uncount(counts: list[tuple[str, str]]) -> None:
    """It was no failure: the counts of this person here begin again, the shared ones go back."""
    for kind, digest in counts:
        row = Failures.objects.filter(digest=digest)
        if kind in {"browser", "name and address"}:
            row.delete()
        else:
            row.filter(failures__gt=0).update(failures=F("failures") - 1, wait_until=timezone.now())
