"""Entries: what one row of a long sheet, or one cell of a wide one, says about a reading.

Whole columns are converted at once; what cannot be taken is kept with a sentence that names the
cell, says what is wrong and what to write instead.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from typing import Any

import numpy as np

from fleet.calc.arrays import Array
from fleet.readings.cells import Figures, Unit, read_figures, read_unit
from fleet.readings.headings import Shape, letter
from fleet.readings.moments import (
    DAY_S,
    EPOCH,
    NOON_S,
    CellFault,
    Moment,
    read_moment,
    shown,
    with_time,
)
from fleet.readings.unpack import MARK
from fleet.units import DecimalMark

Row = list[Any]
Numbered = Sequence[tuple[int, Row]]  # rows with the numbers a spreadsheet gives them

_ARRAY = f"{MARK}array"
NO_OFFSET = np.iinfo(np.int64).min
_TOTAL = re.compile(
    r"(sub|grand |zwischen|gesamt|sous-)?-?\s?(total|totaux|totales|sum|summe|somme|suma|gesamt|"
    r"average|mean|durchschnitt|mittelwert|moyenne|promedio|media|count|anzahl)s?\b.{0,60}",
    re.I,
)


@dataclass(frozen=True, slots=True)
class Hints:
    """What whole columns tell about a single cell; None when they do not."""

    day_first: bool | None = None
    decimal_mark: DecimalMark | None = None


@dataclass(slots=True)
class Moments:
    """When the entries of a chunk were taken; 0 where a fault says why it cannot be known."""

    wall_s: Array
    time_known: Array
    offset_s: Array  # ahead of UTC as written, or NO_OFFSET
    month_from_s: Array  # of a month that stands for its last day, else NO_OFFSET
    faults: dict[int, str] = field(default_factory=dict)


@dataclass(slots=True)
class Entries:
    """Parallel columns; ``faults`` hold positions that cannot be taken, with the sentence."""

    sheet: str
    rows: list[int]  # as the spreadsheet numbers them
    columns: list[str]  # letters of a wide sheet's cells, else ""
    raw: list[str]  # JSON list of the cells as given
    vehicles: Sequence[Any]
    moments: Moments
    odometers: Figures
    units: list[Unit | None]  # as stated by row, cell or heading
    hours: Figures | None = None
    notes: Sequence[Any] = ()
    faults: dict[int, str] = field(default_factory=dict)
    hours_faults: dict[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)


def to_plain(value: Any) -> Any:
    """Entries as plain values, which another process may take without trust in this one."""
    if isinstance(value, np.ndarray):
        return _ARRAY, value.dtype.str, value.tobytes()
    if isinstance(value, (Entries, Moments, Figures)):
        return {item.name: to_plain(getattr(value, item.name)) for item in fields(value)}
    return value


def from_plain(given: dict[str, Any]) -> Entries:
    """Entries from what ``to_plain`` made of them."""
    whole = {name: _array_or_same(value) for name, value in given.items()}
    parts = {"moments": Moments, "odometers": Figures, "hours": Figures}
    for name, kind in parts.items():
        if whole[name] is not None:
            found = {part: _array_or_same(value) for part, value in whole[name].items()}
            whole[name] = kind(**found)
    return Entries(**whole)


def _array_or_same(value: Any) -> Any:
    if isinstance(value, tuple) and len(value) == 3 and value[0] == _ARRAY:
        return np.frombuffer(value[2], dtype=value[1]).copy()
    return value


def raw_rows(rows: Sequence[Sequence[Any]]) -> list[str]:
    """Each row, all of one width, as a JSON list; column by column in one pass of the encoder.

    A line feed never stands inside encoded text, so it can mark where cells end.
    """
    columns = [_encoded(cells) for cells in zip(*rows, strict=True)]
    return [f"[{row}]" for row in map(", ".join, zip(*columns, strict=True))]


def _encoded(cells: Sequence[Any]) -> list[str]:
    if set(map(type, cells)) == {date}:
        cells = list(map(date.isoformat, cells))
    text = json.dumps(cells, ensure_ascii=False, default=_iso, separators=("\n", ":"))
    return text[1:-1].replace(MARK, "").split("\n")


def _iso(cell: Any) -> str:
    return cell.isoformat(" ") if isinstance(cell, datetime) else str(cell)


def _nothing(count: int) -> Figures:
    return Figures(np.full(count, np.nan))


def _no_moments(count: int) -> Moments:
    return Moments(
        np.zeros(count, np.int64),
        np.zeros(count, bool),
        np.full(count, NO_OFFSET),
        np.full(count, NO_OFFSET),
    )


def unusable_entries(sheet: str, kept: Numbered, message: str) -> Entries:
    count = len(kept)
    return Entries(
        sheet,
        [number for number, _ in kept],
        [""] * count,
        raw_rows([row for _, row in kept]),
        [""] * count,
        _no_moments(count),
        _nothing(count),
        [None] * count,
        faults=dict.fromkeys(range(count), message),
    )


# --- long form -------------------------------------------------------------------------------


def long_entries(sheet: str, shape: Shape, kept: Numbered, hints: Hints) -> Entries:
    numbers = [number for number, _ in kept]
    cells = list(zip(*(row for _, row in kept), strict=True))
    blank = ("",) * len(kept)
    column = {role: cells[place] for role, place in shape.columns.items()}
    entries = Entries(
        sheet,
        numbers,
        [""] * len(kept),
        raw_rows([row for _, row in kept]),
        column["vehicle"],
        read_moments(column["date"], column.get("time", ()), hints.day_first),
        read_figures(column.get("odometer", blank), hints.decimal_mark),
        [shape.odometer_unit] * len(kept),
        read_figures(column["hours"], hints.decimal_mark) if "hours" in column else None,
        column.get("note", ()),
    )
    _take_units(entries, column.get("unit", ()), shape)
    _collect_faults(entries, shape)
    _collect_totals(entries, shape, kept)
    return entries


def read_moments(
    cells: Sequence[Any], times: Sequence[Any] = (), day_first: bool | None = None
) -> Moments:
    """Moments of a column of dates, with the times of day of a second column if there is one."""
    moments = _no_moments(len(cells))
    kinds = set(map(type, cells))
    timed = any(cell != "" for cell in times)
    if kinds == {date} and not timed:
        days = np.fromiter(map(date.toordinal, cells), np.int64, len(cells)) - EPOCH.toordinal()
        moments.wall_s = days * DAY_S + NOON_S
        return moments
    if kinds <= {date, datetime} and not timed:
        exact = np.array(cells, dtype="M8[us]").astype(np.int64)
        wall_s = (exact + 500_000) // 1_000_000
        moments.time_known = wall_s % DAY_S != 0
        moments.wall_s = wall_s + np.where(moments.time_known, 0, NOON_S)
        return moments
    known: dict[Any, Moment] = {}
    for position, cell in enumerate(cells):
        key = (cell, times[position]) if times else cell
        try:
            if (moment := known.get(key)) is None:
                moment = read_moment(cell, day_first)
                known[key] = moment = with_time(moment, times[position]) if times else moment
        except CellFault as fault:
            moments.faults[position] = str(fault)
            continue
        _place(moments, position, moment)
    return moments


def _place(moments: Moments, position: int, moment: Moment) -> None:
    moments.wall_s[position] = moment.wall_s
    moments.time_known[position] = moment.time_known
    if moment.offset_s is not None:
        moments.offset_s[position] = moment.offset_s


def _take_units(entries: Entries, cells: Sequence[Any], shape: Shape) -> None:
    """Units stated by a unit column; it wins over the heading."""
    for position, cell in enumerate(cells):
        if cell == "":
            continue
        try:
            entries.units[position] = read_unit(cell)
        except CellFault as fault:
            place = f"{letter(shape.columns['unit'])}{entries.rows[position]}"
            entries.faults[position] = f"{place} {fault}."


def _collect_totals(entries: Entries, shape: Shape, kept: Numbered) -> None:
    """Rows without a vehicle that add up others, told apart from rows with a mistake."""
    for position, vehicle in enumerate(entries.vehicles):
        if vehicle != "":
            continue
        number, row = kept[position]
        total = next((cell for cell in row if _is_total(cell)), None)
        if total is not None:
            entries.faults[position] = _totals_row(number, total)
        elif row[shape.columns["date"]] == "":
            entries.faults[position] = (
                f"Row {number} has neither vehicle nor date: taken for a totals row, it is not "
                "read."
            )


def _totals_row(number: int, cell: object) -> str:
    return f"Row {number} adds up others ({shown(cell)}): a totals row is not read."


def _is_total(cell: Any) -> bool:
    return isinstance(cell, str) and _TOTAL.fullmatch(cell.strip()) is not None


def _collect_faults(entries: Entries, shape: Shape) -> None:
    for position, text in entries.moments.faults.items():
        places = [letter(shape.columns["date"])]
        if "time" in shape.columns and "time" in text:
            places = [letter(shape.columns["time"])]
        entries.faults[position] = f"{places[0]}{entries.rows[position]} {text}."
    if "odometer" in shape.columns:
        _collect(entries, entries.odometers, shape.columns["odometer"], entries.faults)
    if entries.hours is not None:
        _collect(entries, entries.hours, shape.columns["hours"], entries.hours_faults)
    missing = np.isnan(entries.odometers.values)
    if entries.hours is not None:
        missing &= np.isnan(entries.hours.values)
    column = letter(shape.columns.get("odometer", shape.columns.get("hours", 0)))
    for position in np.flatnonzero(missing).tolist():
        if position not in entries.hours_faults:
            entries.faults.setdefault(
                position, f"{column}{entries.rows[position]} holds nothing: write the reading."
            )
    _collect_vehicles(entries, shape)


def _ended(text: str) -> str:
    """A sentence with its stop, one that asks with its own."""
    return text if text.endswith("?") else f"{text.rstrip('.')}."


def _collect(entries: Entries, figures: Figures, column: int, faults: dict[int, str]) -> None:
    for position, text in figures.faults.items():
        place = f"{letter(column)}{entries.rows[position]}"
        faults.setdefault(position, f"{place} {_ended(text)}")


def _may_name(cell: Any) -> bool:
    """Whether a cell may hold a fleet number."""
    if isinstance(cell, str):
        return cell != "" and cell[0] != MARK and not _is_total(cell)
    return type(cell) in (int, float)


def _collect_vehicles(entries: Entries, shape: Shape) -> None:
    column = letter(shape.columns["vehicle"])
    named = {cell for cell in set(entries.vehicles) if _may_name(cell)}
    for position, cell in enumerate(entries.vehicles):
        if cell in named:
            continue
        place = f"{column}{entries.rows[position]}"
        if isinstance(cell, str) and _is_total(cell):
            entries.faults[position] = _totals_row(entries.rows[position], cell)
        elif isinstance(cell, str) and cell[:1] == MARK:
            entries.faults[position] = f"{place} holds {shown(cell)}, not a vehicle."
        else:
            entries.faults[position] = (
                f"{place} holds {shown(cell)} where the vehicle should stand: write its number."
            )


# --- wide form -------------------------------------------------------------------------------


def wide_entries(sheet: str, shape: Shape, kept: Numbered, hints: Hints) -> Entries:
    """One entry per filled cell; its raw form is vehicle, heading and cell."""
    filled = [
        (number, row, place, row[day.column])
        for number, row in kept
        for place, day in enumerate(shape.days)
        if row[day.column] != ""
    ]
    days = [shape.days[place] for _, _, place, _ in filled]
    vehicles = [row[shape.columns["vehicle"]] for _, row, _, _ in filled]
    values = [value for *_, value in filled]
    headings = [day.heading for day in days]
    entries = Entries(
        sheet,
        [number for number, *_ in filled],
        [letter(day.column) for day in days],
        raw_rows(list(zip(vehicles, headings, values, strict=True))),
        vehicles,
        _wide_moments(shape, np.array([place for _, _, place, _ in filled], dtype=np.int64)),
        read_figures(values, hints.decimal_mark),
        [day.unit for day in days],
    )
    unit = shape.columns.get("unit")
    _take_units(entries, [row[unit] for _, row, *_ in filled] if unit is not None else (), shape)
    for position, text in entries.odometers.faults.items():
        where = f"{entries.columns[position]}{entries.rows[position]}"
        entries.faults.setdefault(position, f"{where} {_ended(text)}")
    _collect_vehicles(entries, shape)
    return entries


def _wide_moments(shape: Shape, day: Array) -> Moments:
    moments = [one.moment for one in shape.days]
    offsets = [NO_OFFSET if m.offset_s is None else m.offset_s for m in moments]
    months = [NO_OFFSET if m.month_from_s is None else m.month_from_s for m in moments]
    return Moments(
        np.array([m.wall_s for m in moments], np.int64)[day],
        np.array([m.time_known for m in moments], bool)[day],
        np.array(offsets, np.int64)[day],
        np.array(months, np.int64)[day],
    )
