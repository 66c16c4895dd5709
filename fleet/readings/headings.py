"""Find the heading row of a sheet and what its columns hold.

Long form: a row per reading (vehicle, date, odometer). Wide form: a row per vehicle and a column
per date or month. Headings match without regard to case, accents, marks and units in brackets, in
English, German, French and Spanish.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from fleet.readings.cells import Unit, unit_of
from fleet.readings.heading_words import LOOSE, ROLES
from fleet.readings.moments import (
    YEARS,
    CellFault,
    Moment,
    day_first_of,
    is_open,
    read_moment,
    read_month,
    shown,
)

HEADING_ROWS = 50  # a heading row further down is not looked for: our choice
HEADING_LETTERS = 200  # of a heading that are looked at: our choice

_BRACKETS = re.compile(r"[\[(]([^\[(\])]*)[\])]")  # the innermost: many that open cost no more
_NEEDED = {"vehicle": "the vehicle", "date": "the date", "odometer": "the odometer"}


@dataclass(frozen=True, slots=True)
class Day:
    """A column of a wide sheet."""

    column: int
    moment: Moment
    heading: str
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class Shape:
    """Where a sheet holds what; columns count from 0, the heading row from 1."""

    heading_row: int
    columns: dict[str, int]  # role -> column
    odometer_unit: Unit | None = None
    days: tuple[Day, ...] = field(default=())

    @property
    def wide(self) -> bool:
        return bool(self.days)


@dataclass(frozen=True, slots=True)
class Shapeless:
    """A sheet whose headings cannot be used, and why."""

    message: str
    heading_row: int = 0  # 0 when nothing looks like a heading row


_NAME_COLUMNS = (
    "name the columns, for example Vehicle, Date, Odometer; or Vehicle and one column per date"
)


def letter(column: int) -> str:
    """The letters a spreadsheet gives to a column counted from 0."""
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def find_shape(name: str, rows: Sequence[Sequence[object]]) -> Shape | Shapeless:
    """The first row that works as headings, or what the most promising one lacks."""
    lacking = f"{_sheet(name)} has no heading row with vehicle, date and odometer"
    best = Shapeless(f"{lacking}: {_NAME_COLUMNS}.")
    most = 0
    rows = [[_clipped(cell) for cell in row] for row in rows[:HEADING_ROWS]]
    for number, row in enumerate(rows, start=1):
        roles = _roles(row)
        days = [column for column, cell in enumerate(row) if _is_day(cell)]
        if "vehicle" not in roles and not ({"odometer", "hours"} & roles.keys()):
            continue
        found = _shape(name, number, row, roles, days, _year_above(name, rows[: number - 1]))
        if isinstance(found, Shape):
            return found
        if len(roles) + bool(days) > most:
            best, most = found, len(roles) + bool(days)
    return best


def _clipped(cell: object) -> object:
    return cell[:HEADING_LETTERS] if isinstance(cell, str) else cell


def _sheet(name: str) -> str:
    return f"Sheet “{name}”" if name else "The file"


def _plain(cell: object) -> str:
    if not isinstance(cell, str):
        return ""
    text = unicodedata.normalize("NFKD", cell.casefold()).encode("ascii", "ignore").decode()
    text = _BRACKETS.sub(" ", text.replace("#", " no "))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", text).split())


def _roles(row: Sequence[object]) -> dict[str, list[int]]:
    """Role to the columns that claim it; exact headings win over loose ones."""
    plain = [_plain(cell) for cell in row]
    roles: dict[str, list[int]] = {}
    for column, text in enumerate(plain):
        if text in ROLES:
            roles.setdefault(ROLES[text], []).append(column)
    for role, pattern in LOOSE:
        if role not in roles:
            loose = [
                column
                for column, text in enumerate(plain)
                if text not in ROLES and pattern.search(text)
            ]
            if loose:
                roles[role] = loose
    if "vehicle" not in roles and "unit" in roles:
        roles["vehicle"] = roles.pop("unit")
    if "date" not in roles and "time" in roles:
        roles["date"] = roles.pop("time")
    return roles


def _is_day(cell: object) -> bool:
    if isinstance(cell, (date, float)):
        return isinstance(cell, date) or 40_000 <= cell <= 60_000  # serials of 2009 to 2064
    if not isinstance(cell, str) or not any(mark in "0123456789" for mark in cell):
        return isinstance(cell, str) and _month_name(cell)
    try:
        return _day(cell, None, None) is not None
    except CellFault as fault:
        return is_open(fault)


def _month_name(cell: str) -> bool:
    try:
        return read_month(_bare(cell)) is not None
    except CellFault:
        return True


def _bare(cell: str) -> str:
    return _BRACKETS.sub(" ", cell).strip()


def _day(cell: object, day_first: bool | None, year: int | None) -> Moment | None:
    if isinstance(cell, str):
        return read_month(_bare(cell), year) or read_moment(_bare(cell), day_first)
    return read_moment(cell)


def _year_above(name: str, rows: Sequence[Sequence[object]]) -> int | None:
    """The only year named in the sheet's name or above its headings."""
    words = [name, *(cell for row in rows for cell in row if isinstance(cell, str))]
    years = {int(year) for word in words for year in re.findall(r"\b(?:19|20)\d\d\b", word)}
    years &= set(YEARS)
    return years.pop() if len(years) == 1 else None


def _unit_in(cell: object) -> Unit | None:
    """The unit in brackets, or the last word that is one."""
    if not isinstance(cell, str):
        return None
    for bracket in _BRACKETS.findall(cell):
        if unit := unit_of(bracket):
            return unit
    words = _plain(cell).split()
    return unit_of(words[-1]) if words else None


def _shape(
    name: str,
    number: int,
    row: Sequence[object],
    roles: dict[str, list[int]],
    days: list[int],
    year: int | None,
) -> Shape | Shapeless:
    measured = "odometer" in roles or "hours" in roles
    long = "date" in roles and measured
    doubled = [role for role, columns in roles.items() if len(columns) > 1]
    if "vehicle" in roles and (long or days) and doubled:
        return Shapeless(_doubled(name, number, doubled[0], roles), number)
    columns = {role: claimed[0] for role, claimed in roles.items()}
    if "vehicle" in roles and long:
        unit = _unit_in(row[columns["odometer"]]) if "odometer" in columns else None
        return Shape(number, columns, unit)
    if "vehicle" in roles and days:
        return _wide(name, number, row, columns, days, year)
    return Shapeless(_lacking(name, number, roles, measured), number)


def _doubled(name: str, number: int, role: str, roles: dict[str, list[int]]) -> str:
    places = " and ".join(f"{letter(column)}{number}" for column in roles[role])
    return (
        f"{_sheet(name)} has more than one heading for {_NEEDED.get(role, role)} ({places}): "
        "rename those that are not to be read."
    )


def _lacking(name: str, number: int, roles: dict[str, list[int]], measured: bool) -> str:
    lacking = [
        words
        for role, words in _NEEDED.items()
        if role not in roles and not (role == "odometer" and measured)
    ]
    return (
        f"{_sheet(name)} has no heading for {' and '.join(lacking)} in row {number}: "
        f"{_NAME_COLUMNS}."
    )


def _wide(
    name: str,
    number: int,
    row: Sequence[object],
    columns: dict[str, int],
    days: list[int],
    year: int | None,
) -> Shape | Shapeless:
    day_first = day_first_of(row[column] for column in days)
    read: list[Day] = []
    for column in days:
        cell = row[column]
        try:
            moment = _day(cell, day_first, year)
        except CellFault as fault:
            return Shapeless(f"{_sheet(name)}: heading {letter(column)}{number} {fault}.", number)
        if moment is not None:
            heading = cell if isinstance(cell, str) else shown(cell).strip("“”")
            read.append(Day(column, moment, heading, _unit_in(cell)))
    kept = {role: column for role, column in columns.items() if role in {"vehicle", "unit"}}
    return Shape(number, kept, days=tuple(read))
