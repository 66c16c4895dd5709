"""Rows that were not accepted, by kind: one line for each, with its count and what mends them."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db.models import QuerySet

from fleet.readings.models import UploadRow, Verdict
from fleet.readings.moments import OPEN_DAY
from fleet.readings.reasons import SENTENCES
from fleet.readings.roll import Roll

Outcome = UploadRow.Outcome

MOST_KINDS = 40  # lines; our choice
MOST_NAMES = 25  # unknown names that are looked up; our choice
ROWS_AT_ONCE = 5_000
_PLACE = re.compile(r"^(?:The odometer was taken, but )?(?:[A-Z]{1,3}|Row )[0-9]+ ")
_QUOTED = re.compile(r"“[^”]*”")
_FIGURE = re.compile(r"\b[Hh]olds [0-9][0-9.e+]*")
_OPEN_DAY = re.compile(rf"{OPEN_DAY} .*")


@dataclass(frozen=True, slots=True)
class Kind:
    """Rows that were not accepted for the same reason."""

    outcome: str
    reason: str  # the judge's word; "" for rows that never came before the judge
    words: str
    count: int
    first: str  # place of the first of them
    suggested: int  # of them come with a value that was likely meant
    named: str = ""  # the vehicle as given, where nobody knows it
    meant: tuple[str, ...] = ()  # fleet numbers that it may be


class _Key(NamedTuple):
    outcome: str
    reason: str
    text: str  # the sentence without place and values, or the name that nobody knows


def kinds_of(rows: QuerySet[UploadRow], roll: Roll) -> list[Kind]:
    """Kinds of the rows that were not accepted, the most frequent first."""
    counts: Counter[_Key] = Counter()
    suggested: Counter[_Key] = Counter()
    first: dict[_Key, tuple[str, str]] = {}
    for key, has_value, place, said in _keys(rows):
        counts[key] += 1
        suggested[key] += has_value
        first.setdefault(key, (place, said))
    unknown = [key for key, _ in counts.most_common() if key.outcome == Outcome.UNKNOWN_VEHICLE]
    meant = {key: roll.meant(key.text) for key in unknown[:MOST_NAMES]}
    return [
        _kind(key, count, first[key], suggested[key], meant.get(key, ()))
        for key, count in counts.most_common(MOST_KINDS)
    ]


def _keys(rows: QuerySet[UploadRow]) -> Iterable[tuple[_Key, bool, str, str]]:
    """Of each row its kind, whether a value was likely meant, its place, and what it says."""
    found = rows.exclude(outcome__in=[Outcome.ACCEPTED, Outcome.WAITING]).order_by("number")
    columns = ("outcome", "message", "named", "sheet", "row", "column")
    judged = ("reading__reason", "hours_reading__reason", "reading__suggestion", "reading__verdict")
    for (
        outcome,
        message,
        named,
        sheet,
        row,
        column,
        reason,
        other,
        value,
        verdict,
    ) in found.values_list(*columns, *judged).iterator(chunk_size=ROWS_AT_ONCE):
        place = (
            f"{f'sheet {sheet}, ' if sheet else ''}{f'{column}{row}' if column else f'row {row}'}"
        )
        held = outcome in (Outcome.HELD, Outcome.REJECTED)
        word = (reason or other or "") if held else ""
        said = _said(word, message)
        alike = said if word else _FIGURE.sub("holds a number", _QUOTED.sub("“…”", said))
        key = _Key(outcome, word, named or alike)
        yield key, verdict == Verdict.HELD and value is not None, place, said


def _said(reason: str, message: str) -> str:
    """What a row says, without its place."""
    if reason:
        return SENTENCES.get(reason, reason.replace("_", " "))
    plain = _OPEN_DAY.sub("which can be two days: write it as 2026-03-31", message)
    plain = _PLACE.sub("", plain)
    return plain[:1].upper() + plain[1:]


def _kind(
    key: _Key, count: int, of_first: tuple[str, str], suggested: int, meant: tuple[str, ...]
) -> Kind:
    first, said = of_first
    if key.outcome != Outcome.UNKNOWN_VEHICLE:
        if count > 1 and said != key.text:  # the values are those of the first
            ended = said if said.endswith("?") else f"{said.rstrip('.')}."
            said = f"{ended} {_more(count - 1)}"
        return Kind(key.outcome, key.reason, said, count, first, suggested)
    times = "once" if count == 1 else f"{count:,} times"
    known = f"; {' and '.join(meant)} exist{'s' if len(meant) == 1 else ''}" if meant else ""
    words = f"“{key.text}” was named {times}{known or ', and is no known fleet number'}."
    return Kind(key.outcome, "", words, count, first, 0, key.text, meant)


def _more(count: int) -> str:
    return f"So {'is' if count == 1 else 'are'} {count:,} more."


def as_json(kind: Kind) -> dict[str, Any]:
    """A kind as programs read it."""
    return {
        "outcome": kind.outcome,
        "reason": kind.reason,
        "message": kind.words,
        "count": kind.count,
        "first": kind.first,
        "named": kind.named,
        "candidates": list(kind.meant),
    }
