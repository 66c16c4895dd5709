"""Numbers as spreadsheets and people write them; expected values are read off by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.units import Given, UnitError, number, plain, volume_l

CLEAR = [
    ("12500", 12500.0, None),
    ("123 456 km", 123456.0, "km"),
    ("123\u202f456 km", 123456.0, "km"),  # narrow no-break space
    ("123\u00a0456", 123456.0, None),
    ("123\u2009456", 123456.0, None),
    ("123'456", 123456.0, None),
    ("123\u2019456 km", 123456.0, "km"),
    ("12,5", 12.5, None),
    ("12.5 L", 12.5, "L"),
    ("1.234,5", 1234.5, None),
    ("1,234.5", 1234.5, None),
    ("1 234,567", 1234.567, None),
    ("1,234,567", 1234567.0, None),
    ("1234,567", 1234.567, None),
    ("0,946", 0.946, None),
    (",5", 0.5, None),
    ("\u22125 °C", -5.0, "°C"),
    ("1.5E+05", 150000.0, None),
    ("0.25m3", 0.25, "m3"),
]
BROKEN = [
    "", " ", "km", "1 23", "12 34 567", "1'234 567", "1..5", "1,23,456", "5.", "--5", "- 5",
    "\u0661\u0662", "1 2/3 L", "\uff11\uff12", "=1+1", "1" * 65, "1e999",
]  # fmt: skip
TRAILING = ["10\u00b2 L", "5-3 L", "0x10 L", "5 L 3", "1/2 L", "5 L/h"]


@pytest.mark.parametrize(("text", "value", "unit"), CLEAR)
def test_clear_numbers_are_read(text: str, value: float, unit: str | None) -> None:
    assert number(text) == Given(value, unit)


@pytest.mark.parametrize("text", BROKEN)
def test_broken_numbers_are_refused(text: str) -> None:
    with pytest.raises(UnitError, match="number"):
        number(text)


@pytest.mark.parametrize("text", TRAILING)
def test_what_follows_the_number_must_be_a_unit(text: str) -> None:
    with pytest.raises(UnitError, match="not a known unit of volume"):
        volume_l(text)


@pytest.mark.parametrize("text", ["1,234", "1.234"])
def test_two_readings_are_refused_with_both_candidates(text: str) -> None:
    with pytest.raises(UnitError, match=r"1\.234 or 1234"):
        number(text)


@pytest.mark.parametrize(
    ("text", "mark", "value"),
    [("1,234", ",", 1.234), ("1,234", ".", 1234.0), ("1.234", ",", 1234.0), ("1.234", ".", 1.234)],
)
def test_the_caller_settles_two_readings(text: str, mark: str, value: float) -> None:
    assert number(text, mark).value == value  # type: ignore[arg-type]


@pytest.mark.parametrize(("text", "mark"), [("12,5", "."), ("12.5", ","), ("1.234,5", ".")])
def test_a_number_against_the_sheets_mark_is_refused(text: str, mark: str) -> None:
    with pytest.raises(UnitError, match="written the other way"):
        number(text, mark)  # type: ignore[arg-type]


@given(st.integers(min_value=0, max_value=10**12), st.sampled_from([" ", "\u202f", "'"]))
def test_grouped_thousands_come_back_as_they_went(whole: int, mark: str) -> None:
    assert number(f"{whole:,}".replace(",", mark)).value == whole


@given(st.decimals(min_value=0, max_value=10**6, places=2))
def test_two_decimals_are_read_with_either_mark(value: object) -> None:
    text = f"{value:,}"
    continental = text.translate({ord(","): ".", ord("."): ","})
    assert number(text).value == number(continental).value == float(value)  # type: ignore[arg-type]


@given(st.text(max_size=80))
def test_any_text_is_a_number_or_a_named_refusal(text: str) -> None:
    try:
        value = number(text).value
    except UnitError:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("78O34", "78034"),
        ("78OO4 km", "78004 km"),
        ("7803o", "78030"),
        ("O8034", "08034"),
        ("78,O34", "78,034"),
        ("12.O L", "12.0 L"),
    ],
)
def test_the_letter_o_typed_for_a_nought_is_named_with_what_was_meant(
    text: str, meant: str
) -> None:
    with pytest.raises(UnitError, match=f"“{text}” holds the letter O: was “{meant}” meant"):
        number(text)


@pytest.mark.parametrize(
    ("text", "letters", "meant"),
    [
        ("9l471", "letter l", "91471"),
        ("I2,500 km", "letter I", "12,500 km"),
        ("l0,7O5", "letters O and l", "10,705"),
        ("1247I", "letter I", "12471"),
        ("1l.5 L", "letter l", "11.5 L"),
    ],
)
def test_the_letter_l_typed_for_a_one_is_asked_about_and_never_read(
    text: str, letters: str, meant: str
) -> None:
    with pytest.raises(UnitError) as asked:
        number(text)
    assert str(asked.value) == f"“{text}” holds the {letters}: was “{meant}” meant?"


@pytest.mark.parametrize(
    ("digits", "said"),
    # our choice: no number has more than 64 characters
    [(62, "holds the letter l: was “11{}” meant?"), (63, "is not a number: write digits")],
)
def test_of_a_text_that_is_too_long_for_a_number_no_letter_is_asked_about(
    digits: int, said: str
) -> None:
    with pytest.raises(UnitError) as asked:
        number("1l" + "7" * digits)
    assert said.format("7" * digits) in str(asked.value)


def test_behind_the_last_digit_l_is_litres() -> None:
    assert [number(text) for text in ("5l", "5 l", "4.5l")] == [
        Given(5.0, "l"),
        Given(5.0, "l"),
        Given(4.5, "l"),
    ]


@pytest.mark.parametrize(("text", "unit"), [("5 oz", "oz"), ("5oz", "oz"), ("5 odd", "odd")])
def test_a_unit_that_begins_with_o_is_a_unit(text: str, unit: str) -> None:
    assert number(text) == Given(5.0, unit)


@pytest.mark.parametrize(
    ("number", "read"), [(-31.8, "−31.8"), (-40.0, "−40"), (0.0, "0"), (5.4, "5.4"), (-15, "−15")]
)
def test_below_zero_a_number_has_a_minus_sign(number: float, read: str) -> None:
    assert plain(number) == read
