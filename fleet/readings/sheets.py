"""From the rows of a book to entries: one per row of a long sheet, one per cell of a wide one.

A sheet is read twice: a survey counts its entries and looks through whole columns for what a
single cell cannot tell (day or month first, decimal mark); then the entries come chunk by chunk.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from fleet.readings.book import Book, BookFault, Sheet
from fleet.readings.cells import decimal_mark_of
from fleet.readings.entries import (
    Entries,
    Hints,
    Numbered,
    Row,
    long_entries,
    unusable_entries,
    wide_entries,
)
from fleet.readings.headings import HEADING_ROWS, Shape, Shapeless, find_shape
from fleet.readings.moments import day_first_of

ENTRIES_PER_CHUNK = 10_000


@dataclass(frozen=True, slots=True)
class Survey:
    """What the first look at a sheet found."""

    sheet: Sheet
    shape: Shape | Shapeless
    count: int  # entries
    hints: Hints = Hints()


def survey_book(book: Book) -> list[Survey]:
    """Survey every sheet; BookFault when none has readings."""
    surveys = [survey(sheet) for sheet in book.sheets if sheet.height]
    if not any(isinstance(found.shape, Shape) for found in surveys):
        told = [found.shape.message for found in surveys if isinstance(found.shape, Shapeless)]
        raise BookFault(
            " ".join(told) or "The file has no rows: save the sheet again and send it once more."
        )
    if not any(found.count for found in surveys):
        raise BookFault("There is nothing below the headings: fill in readings and send it again.")
    return surveys


def survey(sheet: Sheet) -> Survey:
    head: list[Row] = []
    for _, rows in sheet.chunks():
        head += rows[: HEADING_ROWS - len(head)]
    shape = find_shape(sheet.name, head)
    if isinstance(shape, Shapeless):
        return Survey(sheet, shape, sum(map(len, _shapeless_rows(sheet, shape))))
    count, texts, figures = 0, set[Any](), set[Any]()
    heading = head[shape.heading_row - 1]
    for first, rows in sheet.chunks():
        kept = _kept(rows, first, shape, heading)
        count += _count(kept, shape)
        if "date" in shape.columns:
            texts.update(_texts(kept, shape.columns["date"]))
        for column in _measured(shape):
            figures.update(_texts(kept, column))
    return Survey(sheet, shape, count, Hints(day_first_of(texts), decimal_mark_of(figures)))


def _kept(rows: Sequence[Row], first: int, shape: Shape | Shapeless, heading: Row) -> Numbered:
    """Rows below the headings that are neither blank nor the headings once more."""
    skip = max(0, shape.heading_row + 1 - first)
    return [
        (number, row)
        for number, row in enumerate(rows[skip:], start=first + skip)
        if row.count("") != len(row) and row != heading
    ]


def _measured(shape: Shape) -> list[int]:
    if shape.wide:
        return [day.column for day in shape.days]
    return [shape.columns[role] for role in ("odometer", "hours") if role in shape.columns]


def _texts(kept: Numbered, column: int) -> set[Any]:
    return {row[column] for _, row in kept if type(row[column]) is str}


def _count(kept: Numbered, shape: Shape) -> int:
    if not shape.wide:
        return len(kept)
    columns = _measured(shape)
    return sum(sum(row[column] != "" for column in columns) for _, row in kept)


def _shapeless_rows(sheet: Sheet, shape: Shapeless) -> Iterator[Numbered]:
    """Rows of a table that cannot be used; of a sheet without a table, none."""
    for first, rows in sheet.chunks() if shape.heading_row else ():
        yield _kept(rows, first, shape, [])


def read_entries(found: Survey) -> Iterator[Entries]:
    """Entries of a surveyed sheet in the order of its rows and columns."""
    shape, name = found.shape, found.sheet.name
    if isinstance(shape, Shapeless):
        for kept in _shapeless_rows(found.sheet, shape):
            yield unusable_entries(name, kept, shape.message)
        return
    form = wide_entries if shape.wide else long_entries
    step = max(1, ENTRIES_PER_CHUNK // max(1, len(shape.days)))
    heading: Row = []
    for first, rows in found.sheet.chunks():
        if first <= shape.heading_row < first + len(rows):
            heading = rows[shape.heading_row - first]
        kept = _kept(rows, first, shape, heading)
        for start in range(0, len(kept), step):
            yield form(name, shape, kept[start : start + step], found.hints)
