"""What was exported is what is loaded: on the same fleet, and on an empty one."""

import re
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zipfile import ZipFile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase
from python_calamine import CalamineWorkbook

from fleet.readings.spreadsheet import read_spreadsheet
from fleet.units import TORQUE_UNITS
from fleet.vehicles.models import Depot, MeterChange, Vehicle
from fleet.workbook.load import load
from fleet.workbook.sheets import BY_NAME, SHEETS
from fleet.workbook.write import export, write_template
from tests.workbook.small import NOW, Sheets, load_cells, load_small, small_workbook, vehicle

WORDS = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Co", "Cn"), exclude_characters=";"),
    min_size=1,
    max_size=12,
).filter(lambda text: text.strip() != "" and not text.strip().replace(".", "").isdigit())
NUMBERS = WORDS.filter(lambda text: "/" not in text)  # a slash would split the address
KM = st.floats(0, 900_000) | st.integers(0, 900_000)
DAYS = st.dates(date(2023, 1, 9), date(2026, 3, 1))


@st.composite
def books(draw: st.DrawFn) -> Sheets:
    """The small book with vehicles, history and limits as they come."""
    sheets = small_workbook()
    numbers = draw(st.lists(NUMBERS, min_size=1, max_size=4, unique_by=lambda n: n.strip().upper()))
    sheets["Vehicles"] = [
        vehicle(number, Note=draw(WORDS), **{"Odometer in service": draw(KM), "Unit": unit})
        for number in numbers
        for unit in [draw(st.sampled_from(["km", "mi", ""]))]
    ]
    sheets["Limits"][0]["Interval [km]"] = draw(st.floats(60_000, 1e6))
    sheets["Meter changes"] = []
    sheets["Usage sheets"][0] |= {
        "Fleet number": numbers[0],
        "Unpaved share": draw(st.floats(0, 1)),
    }
    for name in ("Vehicles away", "Other work"):
        sheets[name][0]["Fleet number"] = numbers[0]
    sheets["Fills"][0] |= {
        "Fleet number": numbers[-1],
        "Quantity [L]": draw(st.floats(0.01, 50)),
    }
    row = sheets["Service history"][0]
    days = draw(st.lists(DAYS, max_size=4, unique=True))
    sheets["Service history"] = [
        row
        | {"Fleet number": numbers[0], "Done on": day, "Total distance": draw(KM)}
        | {"Why the total stands": draw(WORDS)}  # drawn totals contradict one another
        for day in days
    ]
    return sheets


def _exported() -> dict[str, list[list[Any]]]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "book.xlsx"
        export(path)
        pages = CalamineWorkbook.from_path(path)  # in this process: quicker than read_spreadsheet
        return {
            name: pages.get_sheet_by_name(name).to_python(skip_empty_area=False)
            for name in pages.sheet_names
        }


def _empty_the_fleet() -> None:
    for sheet in reversed(SHEETS):
        rows = sheet.model._default_manager.all()
        rows.delete() if sheet.name != "Service history" else rows._raw_delete("default")


class RoundTrip(TestCase):
    @settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
    @given(sheets=books())
    def test_an_exported_fleet_loads_as_itself(self, sheets: Sheets) -> None:
        load_small(sheets)
        cells = _exported()
        assert load_cells(cells, now=NOW).changes == 0
        _empty_the_fleet()
        load_cells(cells, now=NOW)
        assert _exported() == cells


@pytest.mark.django_db
def test_a_distance_with_more_digits_than_a_spreadsheet_keeps_survives(tmp_path: Path) -> None:
    load_small(small_workbook())
    # a spreadsheet keeps 15 to 16 digits, a double up to 17
    Vehicle.objects.update(in_service_km=654_321.012_345_678_9 / 3)
    export(tmp_path / "book.xlsx")
    assert load(tmp_path / "book.xlsx", now=NOW).changes == 0


@pytest.mark.django_db
@pytest.mark.parametrize("unit", TORQUE_UNITS)
@pytest.mark.parametrize("torque", [0.7, 29, 71, 33.3, 1234.5])
def test_a_torque_stays_as_its_source_states_it(unit: str, torque: float) -> None:
    sheets = small_workbook()
    sheets["Fasteners"][0] |= {
        "Torque": torque,
        "Torque up to": 2 * torque,
        "Torque unit": unit,
    }
    load_small(sheets)
    assert load_small(sheets).changes == 0


@pytest.mark.django_db
def test_the_hour_that_the_clock_shows_twice_survives(tmp_path: Path) -> None:
    load_small(small_workbook())
    # Madrid, 2025-10-26: 02:30 comes at 00:30 and at 01:30 UTC (time zone database)
    twice = [datetime(2025, 10, 26, hour, 30, tzinfo=UTC) for hour in (0, 1)]
    meter = Vehicle.objects.get().meters.get()
    for moment in twice:
        MeterChange.objects.create(meter=meter, from_at=moment, offset=1, note="twice")
    export(tmp_path / "book.xlsx")
    assert load(tmp_path / "book.xlsx", now=NOW).changes == 0
    cells = read_spreadsheet(tmp_path / "book.xlsx")["Meter changes"]
    assert [row[2] for row in cells[-2:]] == [
        datetime(2025, 10, 26, 2, 30),  # noqa: DTZ001
        "2025-10-26T02:30:00+01:00",
    ]


@pytest.mark.django_db
def test_text_that_looks_like_a_formula_stays_text(tmp_path: Path) -> None:
    sheets = small_workbook()
    sheets["Vehicles"][0]["Note"] = "=HYPERLINK(1)"
    sheets["Closures"][0]["Note"] = "@SUM(A1)"
    load_small(sheets)
    export(tmp_path / "book.xlsx")
    assert load(tmp_path / "book.xlsx", now=NOW).changes == 0
    assert b"<f>" not in _unzipped(tmp_path / "book.xlsx")


def _unzipped(path: Path) -> bytes:
    from zipfile import ZipFile

    with ZipFile(path) as archive:
        return b"".join(archive.read(n) for n in archive.namelist() if "worksheets/" in n)


@pytest.mark.django_db
def test_the_template_is_empty_but_for_the_usual_criteria(tmp_path: Path) -> None:
    write_template(tmp_path / "book.xlsx")
    loaded = load(tmp_path / "book.xlsx", now=NOW)
    assert loaded.warnings == ()
    assert list(loaded.counts) == ["Duty criteria"]
    assert not Depot.objects.exists()
    sheets = CalamineWorkbook.from_path(tmp_path / "book.xlsx").sheet_names
    assert sheets == ["Read me", *(sheet.name for sheet in SHEETS)]


def test_a_drop_down_too_long_for_its_cell_stands_in_read_me(tmp_path: Path) -> None:
    # a spreadsheet keeps at most 255 signs of a list in the cell itself (its file format)
    write_template(tmp_path / "book.xlsx")
    read_me = CalamineWorkbook.from_path(tmp_path / "book.xlsx").get_sheet_by_name("Read me")
    rows = read_me.to_python(skip_empty_area=False)
    (at,) = [row for row, cells in enumerate(rows, 1) if cells[1] == "May stand under Kind:"]
    kinds = [kind for kind in rows[at - 1][2:] if kind]
    assert kinds == list(BY_NAME["Steps"].columns[BY_NAME["Steps"].at["kind"]].kind.choices)
    with ZipFile(tmp_path / "book.xlsx") as file:
        sheets = [file.read(name).decode() for name in file.namelist() if "/sheet" in name]
    lists = {text for page in sheets for text in re.findall(r"'Read me'![^<]*", page)}
    assert lists == {f"'Read me'!$C${at}:${_letters(len(kinds) + 2)}${at}"}


def _letters(column: int) -> str:
    """Of the first 52 columns, counted from 1: A to Z, then AA to AZ."""
    return chr(64 + column) if column <= 26 else "A" + chr(64 + column - 26)


def test_every_stored_attribute_has_a_column() -> None:
    """What a sheet lacks is set elsewhere, and said here."""
    beside = {
        "id",
        "person_id",
        "recorded_at",
        "provisional",
        "supersedes_id",
        "revision",
        "void",
        "reading_id",
        "done_at",  # of work on an order; a row of the book is a document, which gives a day
        "on_hand",  # of a stock: the sum of its moves
        "key",  # of a fill: the job that it was recorded on
    }
    elsewhere = {  # an absence is of a mechanic or of a vehicle; other work ends at its vehicle
        "Mechanics away": {"vehicle_id"},
        "Vehicles away": {"mechanic_id"},
        "Other work": {
            *("finding_id", "job_id", "entered_by_id", "entered_at"),
            *("ending", "ended_on", "ended_reason", "ended_by_id"),
        },
    }
    for sheet in SHEETS:
        stored = {sheet.columns[index].name for index in sheet.stored}
        stored |= {link.attribute for link in sheet.links}
        needed = {field.attname for field in sheet.model._meta.concrete_fields}
        assert needed - beside - elsewhere.get(sheet.name, set()) == stored, sheet.name


def test_headings_differ_within_a_sheet() -> None:
    for sheet in SHEETS:
        headings = [column.heading.casefold() for column in sheet.columns]
        assert len(set(headings)) == len(headings), sheet.name
    assert len(BY_NAME) == len(SHEETS)
