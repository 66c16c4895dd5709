"""The job card as plain values, for the API; quantities carry their unit in the key."""

from collections.abc import Mapping
from dataclasses import is_dataclass
from datetime import date
from functools import partial
from typing import Any

from fleet.lasting import Lasting
from fleet.workorders.book import MOST_KEPT, Kept
from fleet.workorders.cardsteps import CardStep
from fleet.workorders.jobcard import Card

PLAIN = (str, int, float, bool, type(None), date)
_steps = Kept(MOST_KEPT)


def as_json(found: Card) -> dict[str, Any]:
    """A card as plain values."""
    plain: dict[str, Any] = _plain(found, {})
    return plain


def all_as_json(found: Mapping[int, Card]) -> dict[int, dict[str, Any]]:
    """Cards as plain values, by order id, for a renderer that writes steps once for all answers,
    and once for this one what jobs that are alike share."""
    jobs = [job for card in found.values() for job in card.jobs]
    shared: dict[int, Any] = {
        id(part): Lasting(partial(_plain, part, {}))
        for job in jobs
        for part in (job.materials, job.fasteners)
        if part
    }
    shared |= {id(job.steps): _lasting(job.steps) for job in jobs}
    return {pk: _plain(card, shared) for pk, card in found.items()}


def _lasting(steps: tuple[CardStep, ...]) -> Lasting:
    """Steps, which the book gives as the same object as long as it says the same."""
    # what is kept holds on to them, so that no others get their identity
    lasting: Lasting = _steps.of((id(steps),), lambda: Lasting(partial(_plain, steps, {})))
    return lasting


def _plain(value: Any, shared: dict[int, Any]) -> Any:
    """What ``asdict`` gives, without a copy of each text and number.

    Parameters
    ----------
    shared
        Plain tuples, by the identity of those that were made plain: the cards hold on to them.
    """
    if isinstance(value, tuple):
        if id(value) not in shared:
            shared[id(value)] = tuple(_plain(one, shared) for one in value)
        return shared[id(value)]
    if is_dataclass(value):
        return {
            name: one if type(one) in PLAIN else _plain(one, shared)
            for name, one in vars(value).items()
        }
    return value
