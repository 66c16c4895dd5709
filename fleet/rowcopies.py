"""Rows as models, copied from those that were made of the same columns before.

What Django does for each row that it makes a model of, column by column, costs many times what a
copy does. A copy is a row of its own, and so is what lies beside it.
"""

from collections.abc import Callable, Iterator, Sequence
from copy import copy, deepcopy
from functools import cache
from typing import Any

from django.db.models import JSONField, Model
from django.db.models.base import ModelState

MOST_KEPT = 3_000  # rows of a question, 2 kB each; our choice

Columns = tuple[Any, ...]


class RowCopies:
    """Models by all the columns that they were made of: others as soon as one differs."""

    def __init__(self) -> None:
        self.made: dict[Columns, Model] = {}

    def of(
        self, found: Sequence[Columns], make: Callable[[Sequence[Columns]], Sequence[Model]]
    ) -> list[Model]:
        """Models of rows of the database, in their order; those not seen before are made."""
        known = {row: self.made.get(row) for row in found}
        new = [row for row, one in known.items() if one is None]
        if len(self.made) + len(new) > MOST_KEPT:
            self.made.clear()
        for row, one in zip(new, make(new), strict=True) if new else ():
            known[row] = self.made[row] = one
        return [_copy(one, {}) for one in _in_order(found, known)]


def _in_order(found: Sequence[Columns], known: dict[Columns, Model | None]) -> Iterator[Model]:
    return (one for row in found if (one := known[row]) is not None)


def _copy(row: Model, copies: dict[int, Model]) -> Model:
    """A row and the rows beside it, of which some refer back; nothing in them is shared."""
    if id(row) in copies:
        return copies[id(row)]
    own = copies[id(row)] = type(row).__new__(type(row))
    held = vars(own)
    held.update(vars(row))
    for name in _changeable(type(row)):
        if (value := held.get(name)) is not None:
            held[name] = deepcopy(value) if value else copy(value)
    own._state = ModelState()
    own._state.db, own._state.adding = row._state.db, row._state.adding
    beside: dict[str, Any] = row._state.fields_cache
    own._state.fields_cache = {
        name: one if one is None else _copy(one, copies) for name, one in beside.items()
    }
    return own


@cache
def _changeable(model: type[Model]) -> list[str]:
    """Columns whose values are lists or dictionaries."""
    return [one.attname for one in model._meta.concrete_fields if isinstance(one, JSONField)]
