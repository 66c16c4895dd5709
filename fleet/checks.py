"""Questions to the whole fleet that must all be answered with "nothing": does it agree with itself?

Each stage owns its rules, and each function named here gives a sentence for whatever breaks one.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from django.apps import apps
from django.db.models import Exists, OuterRef

from fleet import chain
from fleet.due import claims
from fleet.readings import totals
from fleet.readings.unjudged import unjudged
from fleet.stores import past_use
from fleet.stores.balance import unbalanced
from fleet.usage.differing import differing
from fleet.workorders import needed, sound

LISTED = 200  # our choice: nobody reads more at once


@dataclass(frozen=True)
class Checked:
    """One rule, and what breaks it."""

    name: str
    ok: bool
    detail: str


# name, what it is well to read, and the function that finds what breaks the rule at a moment
CHECKS: tuple[tuple[str, str, Callable[[datetime], Iterable[str]]], ...] = (
    (
        "service history",
        "no total of the service history contradicts the readings",
        lambda now: claims.contradicting(),
    ),
    (
        "upload totals",
        "every row of every upload has one outcome, and they add up",
        lambda now: totals.wrong(),
    ),
    (
        "readings judged",
        "every reading has a verdict",
        lambda now: unjudged(),
    ),
    (
        "usage states",
        "following all readings from the first makes the usage states that are stored",
        lambda now: differing(),
    ),
    (
        "open jobs",
        "no service of a vehicle is open on two orders",
        lambda now: sound.open_twice(),
    ),
    (
        "order days",
        "every order is kept as needed on the day that its open jobs say",
        lambda now: needed.wrong(),
    ),
    (
        "order history",
        "the events of every order lead to the state it is in",
        lambda now: sound.untold(),
    ),
    (
        "row history",
        "every row that keeps its history has a first entry",
        lambda now: without_history(),
    ),
    (
        "records",
        "finished work has what its procedures expect, or the reason why not",
        sound.unrecorded,
    ),
    (
        "ledger and lots",
        "moves and lots add up to what is on hand",
        lambda now: unbalanced(),
    ),
    (
        "lots past use",
        "nothing on hand is past its best before",
        lambda now: past_use.still_on_shelf(now),
    ),
    (
        "due dates",
        "a night from scratch would find the same due dates",
        chain.due_dates_that_differ,
    ),
)


def check(now: datetime) -> list[Checked]:
    """Ask everything; nothing is changed."""
    return [_checked(name, well, find(now)) for name, well, find in CHECKS]


def without_history() -> Iterator[str]:
    """Rows of models that keep their history, without any of it: a sentence for each."""
    for model in apps.get_models():
        kept = getattr(model, "history", None)
        if kept is None or not hasattr(kept, "model"):
            continue
        key = model._meta.pk.attname
        told = kept.model.objects.filter(**{key: OuterRef("pk")})
        for row in model._base_manager.filter(~Exists(told)).order_by("pk"):
            yield f"{model._meta.verbose_name} {row}: its history does not say where it is from."


def _checked(name: str, well: str, broken: Iterable[str]) -> Checked:
    rest = iter(broken)
    found = list(islice(rest, LISTED))
    more = sum(1 for _ in rest)
    if more:
        found.append(f"… and {more:,} more.")
    return Checked(name, not found, "\n".join(found) or f"{well[:1].upper()}{well[1:]}.")
