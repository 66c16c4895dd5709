"""Questions to the whole fleet that must all be answered with "nothing": does it agree with itself?

Each stage owns its rules, and each function named here gives a sentence for whatever breaks one.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from fleet import chain
from fleet.due import claims
from fleet.readings import totals
from fleet.stores import past_use

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


def _checked(name: str, well: str, broken: Iterable[str]) -> Checked:
    rest = iter(broken)
    found = list(islice(rest, LISTED))
    more = sum(1 for _ in rest)
    if more:
        found.append(f"… and {more:,} more.")
    return Checked(name, not found, "\n".join(found) or f"{well[:1].upper()}{well[1:]}.")
