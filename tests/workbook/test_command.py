"""``sumpwise fleet template | load | export``, as a person meets them."""

import json
from pathlib import Path

import pytest
from django.contrib import admin

from config.cli import parser
from fleet.faults import Fault
from fleet.people.setting_up import RemovableRows, RemovableSetUp
from fleet.vehicles.models import Vehicle
from fleet.workbook.notes import BookRefused
from fleet.workbook.removing import how_to_remove
from fleet.workbook.sheets import SHEETS
from fleet.workbook.write import write_cells
from tests.workbook.small import Sheets, grids, load_small, small_workbook, vehicle

pytestmark = pytest.mark.django_db

OLE = bytes.fromhex("D0CF11E0A1B11AE1")  # how old and encrypted books begin


def _run(*words: str | Path) -> int:
    arguments = parser().parse_args(["fleet", *map(str, words)])
    return int(arguments.run(arguments))


def _file(path: Path, sheets: Sheets) -> Path:
    write_cells(path, {name: rows[1:] for name, rows in grids(sheets).items()})
    return path


def test_a_filled_template_loads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("load", _file(tmp_path / "book.xlsx", small_workbook())) == 0
    shown = capsys.readouterr().out.splitlines()
    assert "Vehicles                  1        0          0            0" in shown
    assert shown[-1] == "Due dates follow in the next night, or at once with: sumpwise nightly"


def test_loading_again_says_that_nothing_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _file(tmp_path / "book.xlsx", small_workbook())
    _run("load", path)
    capsys.readouterr()
    _run("load", path)
    assert capsys.readouterr().out.endswith("\nNothing changed.\n")


def test_rows_not_in_the_book_are_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("V-2"))
    load_small(sheets)
    _run("load", _file(tmp_path / "book.xlsx", small_workbook()), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert answer["sheets"]["Vehicles"] == {
        "added": 0,
        "changed": 0,
        "unchanged": 1,
        "not_in_book": ["V-2"],
        "to_remove_one": "write its row with the status sold: its history stays, and nothing "
        "falls due",
    }
    assert answer["sheets"]["Depots"]["to_remove_one"] == ""


def test_only_sheets_with_rows_are_summed_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheets = small_workbook()
    del sheets["Closures"]  # the template has every sheet, so this one is there and empty
    _run("load", _file(tmp_path / "book.xlsx", sheets))
    named = {line.rsplit(maxsplit=4)[0] for line in capsys.readouterr().out.splitlines()[1:-3]}
    assert named == set(sheets) | {"Depot stays"}  # a vehicle's first stay comes with its row


@pytest.mark.parametrize(
    ("sheet", "way"),
    [
        ("Vehicles", "write its row with the status sold"),
        ("Climate", "delete it below its depot on the set-up pages (/admin/)"),
        ("Service history", "what happened is kept"),
        ("Services", "it stays, as other rows may rest on it"),
    ],
)
def test_how_to_take_a_row_away_is_told_where_one_is_lacking(
    sheet: str, way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    load_small(small_workbook())
    sheets = small_workbook()
    sheets[sheet] = []
    for other in ("Usage sheets", "Fills", "Meter changes", "Service history"):
        sheets.pop(other, None)
    cells = {name: rows[1:] for name, rows in grids({**sheets, sheet: []}).items()}
    write_cells(tmp_path / "book.xlsx", cells)
    _run("load", tmp_path / "book.xlsx")
    shown = capsys.readouterr().out
    assert f"{sheet}: in the fleet, but not in the book. Loading never deletes" in shown
    assert way in shown


def test_every_sheet_says_how_a_row_is_taken_away() -> None:
    """What the set-up pages can delete stands below one of their pages, or has one of its own."""
    below = {
        str(inline.model._meta.label)
        for page in admin.site._registry.values()
        for inline in page.inlines
        if issubclass(inline, RemovableRows)
    }
    below |= {
        model._meta.label
        for model, page in admin.site._registry.items()
        if isinstance(page, RemovableSetUp)
    }
    for sheet in SHEETS:
        removable = sheet.model._meta.label in below
        assert removable == ("on the set-up pages" in how_to_remove(sheet.name)), sheet.name


def test_a_refused_book_names_its_faults(tmp_path: Path) -> None:
    sheets = small_workbook()
    sheets["Limits"][0]["Interval [km]"] = "sixty"
    with pytest.raises(BookRefused) as refused:
        _run("load", _file(tmp_path / "book.xlsx", sheets))
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
