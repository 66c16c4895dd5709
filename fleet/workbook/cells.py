"""A cell in, a plain value out, and back: one ``Kind`` for each way a cell is read.

Spreadsheets keep 15 digits of a number, so numbers are rounded to six decimals on both sides:
what was exported is what is loaded.
"""

import contextlib
import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Any, Literal

from fleet.readings import moments
from fleet.units import TORQUE_UNITS, UnitError, number, torque_unit

Cell = str | float | bool | date | datetime | time | timedelta | None
Style = Literal["text", "number", "whole", "date", "month", "instant"]

DECIMALS = 6
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
START = datetime(1970, 1, 1)  # noqa: DTZ001 — seconds by the clock on the wall, no zone
_SLUG = re.compile(r"[a-z0-9_-]+")
_YES = {"yes", "y", "true", "x", "1"}
_NO = {"no", "n", "false", "0"}
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff\ud800-\udfff]")


class CellFault(ValueError):
    """A cell cannot be taken; the text says why and what to write."""


@dataclass(frozen=True)
class Kind:
    read: Callable[[Cell], Any]  # never called with an empty cell
    show: Callable[[Any], Cell] = lambda value: value
    style: Style = "text"
    width: int = 16
    empty: Any = None  # the value of an empty cell
    choices: tuple[str, ...] = ()  # offered as a drop-down
    tidy: Callable[[Any], Any] | None = None  # a stored value as it would be read from a cell


def is_empty(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def say(cell: Cell) -> str:
    """A cell as it is quoted in a sentence."""
    shown = text(cell)
    return f"'{shown[:40]}…'" if len(shown) > 40 else f"'{shown}'"


# --- text ------------------------------------------------------------------------------------
def text(cell: Cell) -> str:
    if isinstance(cell, str):
        return _CONTROL.sub("", cell.replace("\r\n", "\n").replace("\r", "\n")).strip()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, (date, datetime, time)):
        return cell.isoformat()
    return "" if cell is None else str(cell)


def slug(cell: Cell) -> str:
    given = text(cell).lower()
    if _SLUG.fullmatch(given):
        return given
    plain = unicodedata.normalize("NFKD", given).encode("ascii", "ignore").decode()
    better = re.sub(r"[^a-z0-9_]+", "-", plain).strip("-") or "north-depot"
    raise CellFault(f"{say(cell)} has other signs than letters, digits and -; write e.g. {better}")


def choice_of(options: Sequence[str]) -> Kind:
    known = {option.casefold(): option for option in options}

    def read(cell: Cell) -> str:
        given = " ".join(text(cell).split())
        if given.casefold() not in known:
            raise CellFault(f"{say(cell)} is not one of: {', '.join(options)}")
        return known[given.casefold()]

    return Kind(read, width=max(12, *map(len, options)), empty="", choices=tuple(options))


def list_of(read_one: Callable[[Cell], str]) -> Kind:
    def read(cell: Cell) -> tuple[str, ...]:
        parts = [part for part in re.split(r"[;\n]", text(cell)) if part.strip()]
        return tuple(dict.fromkeys(read_one(part) for part in parts))

    return Kind(read, lambda values: "; ".join(values), width=24, empty=(), tidy=tuple)


# --- yes and no, working days ----------------------------------------------------------------
def _yes_no(cell: Cell) -> bool:
    given = text(cell).casefold()
    if given in _YES or given in _NO:
        return given in _YES
    raise CellFault(f"{say(cell)} is neither yes nor no; write yes or no")


def _weekdays(cell: Cell) -> str:
    """Seven figures, Monday first, 1 = open; from 'Mon Tue Wed', 'Mon-Fri' or the figures."""
    given = text(cell)
    if re.fullmatch("[01]{7}", given) and "1" in given:
        return given
    words = re.findall(r"[A-Za-z]+|[-–]", given)
    names = [word[:3].capitalize() for word in words]
    try:
        return _open_days(names)
    except ValueError:
        raise CellFault(
            f"{say(cell)} names no working days; write e.g. Mon Tue Wed Thu Fri"
        ) from None


def _open_days(names: Sequence[str]) -> str:
    open_days: set[int] = set()
    for index, name in enumerate(names):
        if name in "-–":
            first, last = DAYS.index(names[index - 1]), DAYS.index(names[index + 1 :][0])
            open_days |= set(range(first, last + 1))
        else:
            open_days.add(DAYS.index(name))
    if not open_days:
        raise ValueError
    return "".join("1" if day in open_days else "0" for day in range(7))


def _show_weekdays(pattern: str) -> str:
    return " ".join(name for name, mark in zip(DAYS, pattern, strict=True) if mark == "1")


# --- numbers ---------------------------------------------------------------------------------
def rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), DECIMALS) + 0.0


def _plain(cell: Cell, unit: str, example: str) -> float:
    remedy = f"write e.g. {example}"
    if isinstance(cell, (bool, date, datetime, time, timedelta)):
        raise CellFault(f"{say(cell)} is a date or a yes/no, not a number; {remedy}")
    if not isinstance(cell, str):
        value = float(cell or 0)
    else:
        try:
            value, written = number(cell)
        except UnitError as error:
            if "can mean" in str(error):
                raise CellFault(str(error).rstrip(".")) from None
            raise CellFault(f"{say(cell)} is not a number; {remedy}") from None
        if written is not None and written != unit:
            raise CellFault(f"{say(cell)} is not in {unit or 'plain figures'}; {remedy}")
    if not math.isfinite(value):
        raise CellFault(f"{say(cell)} is not a finite number; {remedy}")
    return value


def number_of(
    unit: str = "",
    example: str = "60000",
    low: float = 0,
    high: float = 1e9,
    *,
    above: bool = False,
) -> Kind:
    """A number from ``low`` to ``high`` (or above ``low``), in ``unit`` where one is written."""

    def read(cell: Cell) -> float:
        value = rounded(_plain(cell, unit, example)) or 0.0
        if not low <= value <= high or (above and value <= low):
            bound = "above" if above else "at least"
            raise CellFault(f"{say(cell)} must be {bound} {low:g} and at most {high:.10g}")
        return value

    return Kind(read, style="number", width=13, tidy=rounded)


def whole_of(
    unit: str = "", example: str = "36", low: int = 0, high: int = 1_000_000, *, zero: str = ""
) -> Kind:
    """A whole number; ``zero`` is a word that stands for 0."""

    def read(cell: Cell) -> int:
        if zero and text(cell).casefold() == zero:
            return 0
        value = _plain(cell, unit, example)
        if not value.is_integer():
            raise CellFault(f"{say(cell)} is not a whole number; write e.g. {example}")
        if not low <= value <= high:
            raise CellFault(f"{say(cell)} must be at least {low} and at most {high}")
        return int(value)

    def show(value: int | None) -> Cell:
        return zero if zero and value == 0 else value

    return Kind(read, show, style="whole", width=11, empty=0 if zero else None)


def _millilitres(cell: Cell) -> int:
    value = _plain(cell, "L", "1.5")
    if not 0 < value <= 10_000:
        raise CellFault(f"{say(cell)} must be above 0 and at most 10000 L")
    return round(value * 1000)


def _torque_unit(cell: Cell) -> str:
    try:
        return torque_unit(text(cell))
    except UnitError as error:
        raise CellFault(str(error).rstrip(".")) from None


# --- dates -----------------------------------------------------------------------------------
def _moment(cell: Cell) -> moments.Moment:
    """A day or moment in any of the ways that a sheet of readings may write it."""
    if isinstance(cell, (bool, time, timedelta)):
        raise CellFault(f"{say(cell)} is not a date; write e.g. 2025-03-31")
    try:
        return moments.read_moment(cell)
    except moments.CellFault as fault:
        if moments.is_open(fault):
            raise CellFault(
                f"{say(cell)} can mean two dates; write the year first, e.g. 2025-03-31"
            ) from None
        raise CellFault(f"{say(cell)} is not a date; write e.g. 2025-03-31") from None


def _wall(moment: moments.Moment) -> datetime:
    return START + timedelta(seconds=moment.wall_s)


def _day(cell: Cell) -> date:
    return _wall(_moment(cell)).date()


def _month(cell: Cell) -> date:
    """The first day of a month, which may be named as in the heading of a sheet of readings."""
    try:
        named = moments.read_month(cell) if isinstance(cell, str) else None
        if named is not None and named.month_from_s is not None:
            return (START + timedelta(seconds=named.month_from_s)).date()
        return _day(cell).replace(day=1)
    except (CellFault, moments.CellFault):
        raise CellFault(f"{say(cell)} is not a month; write e.g. 2025-03") from None


def _instant(cell: Cell) -> datetime:
    """A moment; without a zone (tzinfo None) it is local to the depot."""
    moment = cell if isinstance(cell, datetime) else _exact(cell)
    whole = moment.replace(microsecond=0) + timedelta(seconds=moment.microsecond >= 500_000)
    return whole if whole.tzinfo is None else whole.astimezone(UTC)


def _exact(cell: Cell) -> datetime:
    if isinstance(cell, str):
        with contextlib.suppress(ValueError):
            return datetime.fromisoformat(cell.strip())
    found = _moment(cell)
    if not found.time_known:
        return datetime.combine(_wall(found).date(), time())
    zone = None if found.offset_s is None else timezone(timedelta(seconds=found.offset_s))
    return _wall(found).replace(tzinfo=zone)


TEXT = Kind(text, width=20, empty="", tidy=text)
LONG_TEXT = Kind(text, width=40, empty="", tidy=text)
SLUG = Kind(slug, width=18, empty="", tidy=str.lower)
YES_NO = Kind(
    _yes_no, lambda value: "yes" if value else "no", width=9, empty=False, choices=("yes", "no")
)
WEEKDAYS = Kind(_weekdays, _show_weekdays, width=24, empty="1111100")
MILLILITRES = Kind(
    _millilitres, lambda ml: None if ml is None else ml / 1000, style="number", width=12
)
TORQUE_UNIT = Kind(
    _torque_unit, width=12, empty=TORQUE_UNITS[0], choices=TORQUE_UNITS, tidy=_torque_unit
)
DATE = Kind(_day, style="date", width=12)
MONTH = Kind(_month, style="month", width=10)
INSTANT = Kind(_instant, style="instant", width=20)
