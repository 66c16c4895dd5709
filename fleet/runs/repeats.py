"""Claims on a key under which a request is sent again: taken, answered once, taken over if lost."""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import QuerySet

from fleet.runs.models import RepeatKey

KEPT = timedelta(days=30)  # our choice
ALIVE = timedelta(minutes=10)  # longer than the server lets any request take; our choice


def claim(person_id: int, key: str, digest: str, now: datetime) -> tuple[RepeatKey, bool]:
    """The claim on a key, and whether it was made just now; old ones are forgotten."""
    RepeatKey.objects.filter(person_id=person_id, created_at__lt=now - KEPT).delete()
    return RepeatKey.objects.get_or_create(
        person_id=person_id, key=key, defaults={"request_hash": digest}
    )


def answered(claim: RepeatKey, status: int, body: Any) -> bool:
    """Keep the answer; False where another took the claim over as lost, and has the effect."""
    return _unanswered(claim).update(status=status, body=body) == 1


def completed(claim: RepeatKey, body: Any) -> None:
    """Keep what followed outside the transaction of the effect."""
    RepeatKey.objects.filter(pk=claim.pk).update(body=body)


def let_go(claim: RepeatKey) -> None:
    """Nothing happened: the same key may be tried again."""
    _unanswered(claim).delete()


def take_over(claim: RepeatKey, now: datetime) -> bool:
    """Take a claim over that is too old to be alive; False where it is not, or another did."""
    lost = _unanswered(claim).filter(created_at__lt=now - ALIVE)
    if lost.update(created_at=now) != 1:
        return False
    claim.created_at = now
    return True


def _unanswered(claim: RepeatKey) -> QuerySet[RepeatKey]:
    return RepeatKey.objects.filter(pk=claim.pk, created_at=claim.created_at, status=None)
