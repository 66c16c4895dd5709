"""Where plain values stand in the SQL of a question, so that others can be put in.

A question is asked for stand-ins once; where they come to stand among its parameters, any value of
their kind may. What changes a value on its way, as a search for a part of it does, changes its
stand-in too, which is then missed.
"""

from collections.abc import Collection, Hashable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import chain, zip_longest
from typing import Any

MARK = "%s"  # for a parameter


@dataclass(frozen=True)
class Fixed:
    """A value that the words themselves depend on, such as a limit: others are written anew."""

    value: Hashable


@dataclass(frozen=True)
class Words:
    """A question in SQL, with places for values."""

    texts: Sequence[str]  # the SQL before, between and after its lists
    lists: Sequence[int]  # which value is listed there
    params: Sequence[tuple[int | None, Any]]  # a value and what makes a parameter of it; None: this

    def put_in(self, given: Sequence[Any]) -> tuple[str, list[Any]]:
        """The SQL and its parameters, for values of the kinds that it was written for."""
        marks = [", ".join([MARK] * len(given[at])) for at in self.lists]
        params: list[Any] = []
        for at, made in self.params:
            if at is None:
                params.append(made)
                continue
            values = given[at] if isinstance(given[at], list) else [given[at]]
            params += values if made is None else map(made, values)
        return "".join(chain.from_iterable(zip_longest(self.texts, marks, fillvalue=""))), params


def plainly(value: Any) -> Any:
    """A value; of several a list of those that there are, each once, as Django asks for them."""
    if isinstance(value, Collection) and not isinstance(value, str):
        return [one for one in dict.fromkeys(value) if one is not None]
    return value


def kind_of(value: Any) -> Any:
    """What the words depend on: of which type a value is, and whether there is any."""
    if isinstance(value, list):
        return tuple(kind_of(one) for one in value[:1])
    if value is None or isinstance(value, Fixed):
        return value
    return str if isinstance(value, str) else type(value)  # a choice is a text


def stand_in(kind: Any, at: int) -> Any:
    """What stands in for values of a kind, at their place among the others."""
    if isinstance(kind, tuple):
        return [_another(one, at, number) for one in kind for number in (0, 1)]
    return kind if kind is None or isinstance(kind, Fixed) else _another(kind, at, 0)


def _another(kind: type, at: int, number: int) -> Any:
    """A value that is nowhere else in a question, and that changes where anything is changed."""
    if kind is int:
        return 1_900_000_000 + 10 * at + number  # what an integer column takes
    if kind is str:
        return f"Stand-in %_\\ {at} {number}"
    if kind is date:
        return date(1, 1, 1) + timedelta(days=10 * at + number)
    raise TypeError(f"{kind.__name__} is no value of a prepared question.")


def words(sql: str, params: Sequence[Any], stand_ins: Sequence[Any]) -> Words:
    """The words of a question that was asked for stand-ins; without SQL it finds nothing.

    Raises
    ------
    TypeError
        It does not ask for one of them as it is.
    """
    if not sql and [] in stand_ins:
        return Words([""], [], [])
    spots = _spots(params, stand_ins)
    before = sql.split(MARK)
    wanted = {
        at
        for at, one in enumerate(stand_ins)
        if one not in (None, []) and not isinstance(one, Fixed)
    }
    found_all = {at for at, _ in spots if at is not None} == wanted
    if len(before) != len(spots) + 1 or not found_all or not _whole(before, spots):
        raise TypeError("A prepared question asks for its values as they are.")
    texts, lists = [""], []
    found: list[tuple[int | None, Any]] = []
    for lead, (at, number), param in zip(before, spots, params, strict=False):
        if number:
            continue  # of a list, whose first one stands for all
        texts[-1] += lead
        if at is None:
            found.append((None, param))
        else:
            own = type(stand_ins[at][0] if number == 0 else stand_ins[at])
            found.append((at, None if type(param) is own else type(param)))
        if at is not None and number == 0:
            lists.append(at)
            texts.append("")
        else:
            texts[-1] += MARK
    texts[-1] += before[-1]
    return Words(texts, lists, found)


Spot = tuple[int | None, int | None]  # which value, and which of a list; none: what is always asked


def _spots(params: Sequence[Any], stand_ins: Sequence[Any]) -> list[Spot]:
    """Which stand-in each parameter is."""
    places: dict[Any, Spot] = {}
    for at, one in enumerate(stand_ins):
        for number, value in enumerate(one) if isinstance(one, list) else [(None, one)]:
            if value is not None:
                places[value] = at, number
            if isinstance(value, date):
                places[str(value)] = at, number  # as SQLite keeps days
    plain = [one if isinstance(one, int | str | date) else None for one in params]
    return [places.get(one, (None, None)) for one in plain]


def _whole(before: Sequence[str], spots: Sequence[Spot]) -> bool:
    """Whether what stands for a list is one."""
    firsts = [place for place, (_, number) in enumerate(spots) if number == 0]
    seconds = [place for place, (_, number) in enumerate(spots) if number == 1]
    return seconds == [first + 1 for first in firsts] and all(
        before[second] == ", " and spots[second][0] == spots[second - 1][0] for second in seconds
    )
