"""Numbers in cells; expected values are read off by hand."""

from datetime import date

import numpy as np
import pytest

from fleet.readings.cells import decimal_mark_of, read_figure, read_figures, read_unit
from fleet.readings.moments import CellFault
from fleet.readings.spreadsheet import ERROR_VALUE, WITHOUT_VALUE


@pytest.mark.parametrize(
    ("cell", "value", "unit"),
    [
        (12345.0, 12345, None),
        (0.0, 0, None),
        (-5.0, -5, None),
        (1e12, 1e12, None),
        ("12345", 12345, None),
        ("12345.6", 12345.6, None),
        ("12345,6", 12345.6, None),
        ("123 456", 123456, None),
        ("123\u202f456,7", 123456.7, None),
        ("1,234,567", 1234567, None),
        ("12'345", 12345, None),
        ("-12", -12, None),
        (" 7 700 mi ", 7700, "mi"),
        ("12345 km", 12345, "km"),
        ("12345km", 12345, "km"),
        ("1020.5 hrs", 1020.5, "h"),
    ],
)
def test_numbers_are_read_as_written(cell: object, value: float, unit: str | None) -> None:
    assert read_figure(cell) == (value, unit)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("n/a", "not a number"),
        ("nan", "not a number"),
        ("12..5", "not a number"),
        ("12,345", "12.345 or 12345"),
        ("78O34", "seems to be mistyped. “78O34” holds the letter O: was “78034” meant"),
        ("9l471 km", "seems to be mistyped. “9l471 km” holds the letter l: was “91471 km” meant"),
        ("9147l", "seems to be mistyped. “9147l” holds the letter l: was “91471” meant"),
        ("12345 m", "unit is not known: write km or mi"),
        (date(2026, 3, 1), "format the cell as a number"),
        (WITHOUT_VALUE, "recalculate"),
        (ERROR_VALUE, "recalculate"),
        ("1e999", "too large"),
    ],
)
def test_what_is_no_number_is_refused_with_a_remedy(cell: object, words: str) -> None:
    with pytest.raises(CellFault, match=words):
        read_figure(cell)


@pytest.mark.parametrize(
    ("column", "mark"),
    [
        (["12,345", "1,234,567"], "."),
        (["12,345", "98,765.5"], "."),
        (["12,345", "98765,5"], ","),
        (["12.345", "98.765,5"], ","),
        (["12,345", "98765"], None),
        (["12,345", "98765,5", "98765.5"], None),
        (["98765,5"], None),
    ],
)
def test_a_clear_number_settles_the_decimal_mark_of_its_column(
    column: list[str], mark: str | None
) -> None:
    assert decimal_mark_of(column) == mark


def test_a_settled_mark_reads_the_open_numbers() -> None:
    assert read_figures(["12,345", "12,345 mi"], ".").values.tolist() == [12345, 12345]
    assert read_figures(["12,345"], ",").values.tolist() == [12.345]


def test_a_column_keeps_the_place_of_what_it_cannot_read() -> None:
    figures = read_figures([5.0, "", "abc", "7 mi"])
    assert np.array_equal(figures.values, [5, np.nan, np.nan, 7], equal_nan=True)
    assert list(figures.faults) == [2]
    assert figures.units == {3: "mi"}


def test_units_of_a_unit_column_are_known_words() -> None:
    assert [read_unit(cell) for cell in ("KM", "Miles", "")] == ["km", "mi", None]
    with pytest.raises(CellFault, match="write km or mi"):
        read_unit("furlong")
