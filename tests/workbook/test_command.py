"""``sumpwise fleet template | load | export``, as a person meets them."""

import json
from pathlib import Path

import pytest

from config.cli import parser
from fleet.faults import Fault
from fleet.vehicles.models import Vehicle
from fleet.workbook.notes import BookRefused
from fleet.workbook.write import write_cells
from tests.workbook.book import Book, grids, load_book, small_book, vehicle

pytestmark = pytest.mark.django_db

OLE = bytes.fromhex("D0CF11E0A1B11AE1")  # how old and encrypted books begin


def _run(*words: str | Path) -> int:
    arguments = parser().parse_args(["fleet", *map(str, words)])
    return int(arguments.run(arguments))


def _file(path: Path, book: Book) -> Path:
    write_cells(path, {name: rows[1:] for name, rows in grids(book).items()})
    return path


def test_a_filled_template_loads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("load", _file(tmp_path / "book.xlsx", small_book())) == 0
    shown = capsys.readouterr().out.splitlines()
    assert "Vehicles                  1        0          0            0" in shown
    assert shown[-1] == "Due dates follow in the next night, or at once with: sumpwise nightly"


def test_loading_again_says_that_nothing_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _file(tmp_path / "book.xlsx", small_book())
    _run("load", path)
    capsys.readouterr()
    _run("load", path)
    assert capsys.readouterr().out.endswith("\nNothing changed.\n")


def test_rows_not_in_the_book_are_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = small_book()
    book["Vehicles"].append(vehicle("V-2"))
    load_book(book)
    _run("load", _file(tmp_path / "book.xlsx", small_book()), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert answer["sheets"]["Vehicles"] == {
        "added": 0,
        "changed": 0,
        "unchanged": 1,
        "not_in_book": ["V-2"],
    }


def test_a_refused_book_names_its_faults(tmp_path: Path) -> None:
    book = small_book()
    book["Limits"][0]["Interval [km]"] = "sixty"
    with pytest.raises(BookRefused) as refused:
        _run("load", _file(tmp_path / "book.xlsx", book))
    # row 3: headings and explanations come first in a file
    assert str(refused.value).splitlines() == [
        "Nothing was loaded: 1 fault in the workbook.",
        "  Limits, row 3, column 'Interval [km]': 'sixty' is not a number; write e.g. 60000.",
    ]
    assert not Vehicle.objects.exists()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "empty"),
        (b"PK\x03\x04 cut short", "save it"),
        (OLE + "EncryptedPackage".encode("utf-16-le") + bytes(600), "password"),
        (OLE + bytes(600), "old binary format"),
        (b"a,b\n1,2\n", "it has no sheet of a fleet workbook"),
    ],
)
def test_a_file_that_is_no_workbook_is_refused(
    tmp_path: Path, content: bytes, sentence: str
) -> None:
    path = tmp_path / "book.xlsx"
    path.write_bytes(content)
    with pytest.raises(BookRefused, match="Nothing was loaded: 1 fault") as refused:
        _run("load", path)
    assert sentence in str(refused.value)


def test_an_export_never_overwrites_by_accident(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    assert _run("export", path) == 0
    with pytest.raises(Fault, match="exists already: choose another name, or add --force"):
        _run("export", path)
    assert _run("export", path, "--force") == 0


@pytest.mark.parametrize(
    ("name", "sentence"),
    [("book.csv", "ends in .xlsx"), ("nowhere/book.xlsx", "There is no folder")],
)
def test_a_template_goes_where_it_can(tmp_path: Path, name: str, sentence: str) -> None:
    with pytest.raises(Fault, match=sentence):
        _run("template", tmp_path / name)
    assert _run("template", tmp_path / "book.xlsx") == 0


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(Fault, match="There is no file"):
        _run("load", tmp_path / "none.xlsx")
