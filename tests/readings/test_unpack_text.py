"""Text becomes rows: its encoding, its separator, its quotation marks."""

import codecs

import pytest

from fleet.readings import unpack
from fleet.readings.unpack import MARK, Refused

TABLE = "Vehicle;Größe\nV1;12345\n"


@pytest.mark.parametrize(
    "data",
    [
        TABLE.encode(),
        codecs.BOM_UTF8 + TABLE.encode(),
        TABLE.encode("cp1252"),
        codecs.BOM_UTF16_LE + TABLE.encode("utf-16-le"),
        codecs.BOM_UTF16_BE + TABLE.encode("utf-16-be"),
        TABLE.encode("utf-16-le"),
        TABLE.encode("utf-16-be"),
    ],
)
def test_text_is_the_same_in_every_encoding(data: bytes) -> None:
    assert unpack.decode(data) == TABLE


@pytest.mark.parametrize(
    ("length", "strange", "fits"),
    [(50, 3, True), (50, 4, False), (250, 5, True), (250, 6, False), (9_000, 81, True),
     (9_000, 82, False)],
)  # fmt: skip
def test_a_fiftieth_of_the_first_letters_may_be_strange_and_three_in_any_case(
    length: int, strange: int, fits: bool
) -> None:
    # of a long text the first 4,096 letters are looked at: a fiftieth of them are 81
    for mark in ("\x01", "\ufffd"):
        given = mark * strange + "a" * (length - strange)
        if fits:
            assert unpack._readable(given) == given.replace("\x01", "")
            continue
        with pytest.raises(Refused, match="neither a spreadsheet nor a table"):
            unpack._readable(given)


@pytest.mark.parametrize("given", ["<html>", "  \n<table>", "%PDF-1.7", "%PDF"])
def test_pages_and_prints_are_no_tables(given: str) -> None:
    with pytest.raises(Refused, match="neither a spreadsheet nor a table"):
        unpack._readable(given)
    assert unpack._readable(f"a;{given}") == f"a;{given}"


def test_what_stands_for_a_mark_of_ours_is_taken_out_of_text() -> None:
    assert unpack._readable(f"a{MARK};b") == "a;b"
    with pytest.raises(Refused, match="empty"):
        unpack._readable(f" {MARK}\n")


@pytest.mark.parametrize(
    ("given", "separator"),
    [
        ("a;b\n1,5;2,5\n", ";"),
        ("a,b\n1,2\n", ","),
        ("Title\na\tb\tc\n1\t2\t3\n", "\t"),
        ("a|b\n1|2\n", "|"),
        ("a;b,c\n1;2\n3;4,5\n", ";"),  # the mark that cuts most lines alike
        ('a,b;c\n"1;2",3\n"4;5",6\n', ","),
        ("a,b,c;d\n1,2,3;4\n", ","),  # of two as steady the one with more cells
        ("one column\nof text\n", ";"),
        ("a;b\n" * 29 + "a,b,c\n" * 90, ";"),  # the first thirty lines tell
    ],
)
def test_the_separator_is_what_cuts_most_of_the_first_lines_alike(
    given: str, separator: str
) -> None:
    assert unpack.separator_of(given) == separator


def cut(given: str) -> list[list[str]]:
    return [row for _, row in unpack._cut(given, ",")]


@pytest.mark.parametrize(
    ("given", "rows"),
    [
        ("a,b\n1,2", [["a", "b"], ["1", "2"]]),
        ("a,b\r\n1,2\r\n", [["a", "b"], ["1", "2"]]),
        ('a,b\n"1\n2",3\n4,5\n', [["a", "b"], ["1\n2", "3"], ["4", "5"]]),
        ('a,b\n"x, ""y""\nz",3\n', [["a", "b"], ['x, "y"\nz', "3"]]),
        ("a\n\nb\n", [["a"], [], ["b"]]),
    ],
)
def test_rows_are_cut_at_line_ends_outside_of_quotation_marks(
    given: str, rows: list[list[str]]
) -> None:
    assert cut(given) == rows


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ('a,b\n1,2\n"3,4\n5,6\n', "Line 3 opens a quotation mark that is not closed"),
        ('a,b\n1,"2', "Line 2 opens"),
        ('"a,b\n1,2\n', "Line 1 opens"),
        ('a,b\n1,"2\n3,4\n5",6\n', "opened in line 2 runs on over line 3, which looks like a row"),
        ('a,b\n1,"x\ny"\n3,"4\n5,6\n7,8"\n', "opened in line 4 runs on over line 5"),
        ('a,b\n1,"2\n3,"4\n5,6\n', "opened in line 2 runs on over line 3"),
    ],
)
def test_a_mark_that_would_swallow_rows_is_refused_with_its_line(given: str, said: str) -> None:
    with pytest.raises(Refused) as fault:
        cut(given)
    assert said in str(fault.value)


@pytest.mark.parametrize(
    ("line", "width", "row"),
    [
        ("1,2", 2, True),
        ("1,2", 3, False),
        ("one", 1, False),  # where rows have one cell, any line would be one
        ('"1,2",3', 2, True),
        ('1 "or" 2,3', 2, False),  # a mark in the middle of a cell closes what was opened above
        ('1,"2', 2, True),
        ('1,2",3', 3, False),
        ('"1,2', 3, False),
    ],
)
def test_a_line_is_a_row_where_it_has_as_many_cells_as_usual(
    line: str, width: int, row: bool
) -> None:
    assert unpack._is_row(line, ",", width) is row


def test_a_cell_too_long_for_the_reader_is_refused_in_its_line() -> None:
    longest = 131_072  # of Python's csv module
    assert len(cut("a,b\n1," + "x" * longest + "\n")) == 2
    with pytest.raises(Refused, match="Line 2 cannot be cut into cells"):
        cut("a,b\n1," + "x" * (longest + 1) + "\n")


def test_short_rows_are_filled_up_to_the_widest() -> None:
    rows = unpack._text_rows("Title\na,b,c\n1, ,3\n", ",")
    assert list(rows) == [["Title", "", ""], ["a", "b", "c"], ["1", "", "3"]]
