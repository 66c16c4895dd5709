"""Keys for programs and phones. A token never opens more than its person may."""

from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from hashlib import sha256
from secrets import compare_digest, token_urlsafe
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.faults import Fault
from fleet.people.models import Person, Token
from fleet.people.roles import depots_of

MARK = "sumpwise_"  # so that a leaked token is recognised in a log or a repository
LONGEST_D = 366  # our choice
SCOPES = (
    "vehicles:read",
    "vehicles:write",
    "readings:read",
    "readings:write",
    "uploads:read",
    "uploads:write",
    "usage:read",
    "duty:read",
    "duty:write",
    "due-dates:read",
    "work-orders:read",
    "work-orders:write",
    "findings:read",
    "findings:write",
    "deferrals:read",
    "deferrals:write",
    "visits:read",
    "visits:write",
    "what-ifs:read",
    "what-ifs:write",
    "evidence:read",
    "trials:read",
    "trials:write",
    "items:read",
    "demand:read",
    "stock-moves:read",
    "stock-moves:write",
    "runs:read",
    "runs:write",
    "workbook:read",
    "workbook:write",
)


class TokenFault(Fault):
    """A token that cannot be made as asked."""


def issue(
    *,
    person: Person,
    label: str,
    scopes: Collection[str],
    days: int,
    depots: Sequence[Any] | None = None,
) -> tuple[Token, str]:
    """Make a token; give it with its secret, which is not kept and cannot be shown again.

    Without ``depots`` it opens those that are the person's now, and none that they get later.
    """
    _check(label, scopes, days)
    opened = _opened(person, depots)
    secret = MARK + token_urlsafe(32)
    with transaction.atomic():
        token = Token.objects.create(
            person=person,
            label=label.strip(),
            digest=_digest(secret),
            scopes=sorted(set(scopes)),
            expires_at=timezone.now() + timedelta(days=days),
        )
        token.depots.set(opened)
    return token, secret


def find(secret: str, now: datetime) -> Token | None:
    """The valid token with this secret, its person beside it.

    The digest is what is looked up, so how long the look-up takes tells nothing of a secret.
    """
    digest = _digest(secret)
    token = (
        Token.objects.select_related("person")
        .filter(digest=digest, revoked_at=None, expires_at__gt=now, person__is_active=True)
        .first()
    )
    return token if token and compare_digest(token.digest, digest) else None


def mark_used(token: Token, today: date) -> None:
    """Note the day; a second use on the same day writes nothing."""
    if token.last_used_on == today:
        return
    unmarked = ~Q(last_used_on=today) | Q(last_used_on=None)
    Token.objects.filter(unmarked, pk=token.pk).update(last_used_on=today)


def revoke(token_id: int, now: datetime) -> bool:
    """End a token for good; False when there is none, or it was ended before."""
    return Token.objects.filter(pk=token_id, revoked_at=None).update(revoked_at=now) == 1


def _check(label: str, scopes: Collection[str], days: int) -> None:
    if not label.strip() or len(label) > 80:
        raise TokenFault("A token needs a label of 1 to 80 characters that says what it is for.")
    unknown = sorted(set(scopes) - set(SCOPES))
    if unknown or not scopes:
        wrong = f"There is no scope {', '.join(unknown)}" if unknown else "A token needs a scope"
        raise TokenFault(f"{wrong}: choose from {', '.join(SCOPES)}.")
    if not 1 <= days <= LONGEST_D:
        raise TokenFault(f"A token lasts 1 to {LONGEST_D} days, not {days}.")


def _opened(person: Person, depots: Sequence[Any] | None) -> list[Any]:
    own = list(depots_of(person))
    if depots is None:
        return own
    foreign = [str(depot) for depot in depots if depot not in own]
    if foreign:
        raise TokenFault(f"{person} does not have the depot {', '.join(foreign)}.")
    return list(depots)


def _digest(secret: str) -> str:
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
