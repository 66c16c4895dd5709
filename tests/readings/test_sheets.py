"""From rows to entries; the sheets are made by hand and so are the entries expected of them."""

import json
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from fleet.readings import unpack
from fleet.readings.entries import Entries, raw_rows
from fleet.readings.sheets import read_entries, survey_all
from fleet.readings.spreadsheet import (
    WITHOUT_VALUE,
    Spreadsheet,
    SpreadsheetFault,
    open_spreadsheet,
)
from fleet.readings.unpack import Chunk
from tests.readings.spreadsheets import write_ods, write_xlsx

LONG = ["Vehicle", "Date", "Odometer"]
DAY = date(2026, 3, 31)


def entries(tmp_path: Path, *rows: Sequence[Any], **more: Any) -> Entries:
    path = write_xlsx(tmp_path / "a.xlsx", March=rows, **more)
    with open_spreadsheet(path) as spreadsheet:
        surveys = survey_all(spreadsheet)
        (found,) = read_entries(surveys[0])
        assert surveys[0].count == len(found)
    return found


@pytest.mark.parametrize(
    ("room", "held"),
    # sheets of five rows and of three, three cells wide, in chunks of two rows
    [(0, 0), (5, 0), (6, 2), (12, 4), (14, 4), (15, 5), (20, 5), (21, 7), (24, 8), (99, 8)],
)
def test_rows_that_find_no_room_are_read_from_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int, held: int
) -> None:
    monkeypatch.setattr(unpack, "CHUNK_ROWS", 2)
    monkeypatch.setattr(unpack, "HELD_CELLS", room)
    rows = [[f"V{number}", DAY, number] for number in range(6)]
    path = write_xlsx(tmp_path / "a.xlsx", March=[LONG, *rows[:4]], April=[LONG, *rows[4:]])
    chunks: list[Chunk] = []
    with (tmp_path / "rows").open("wb") as out:
        sheets = unpack.write_rows(path, out, chunks)
    assert sum(len(part) for _, _, part in chunks) == held
    surveys = survey_all(Spreadsheet.of(sheets, tmp_path / "rows", chunks))
    found = [one for part in surveys for one in read_entries(part)]
    assert [part.count for part in surveys] == [4, 2]
    assert [number for one in found for number in one.rows] == [2, 3, 4, 5, 2, 3]
    assert [value for one in found for value in one.vehicles] == [row[0] for row in rows]


def test_each_row_of_a_long_sheet_is_an_entry(tmp_path: Path) -> None:
    found = entries(tmp_path, ["Title"], LONG, ["V1", DAY, 100], ["V2", DAY, 200])
    assert found.rows == [3, 4]
    assert found.odometers.values.tolist() == [100, 200]
    assert [json.loads(raw) for raw in found.raw] == [
        ["V1", "2026-03-31", 100.0],
        ["V2", "2026-03-31", 200.0],
    ]


def test_blank_rows_and_repeated_headings_are_passed_over(tmp_path: Path) -> None:
    found = entries(tmp_path, LONG, ["V1", DAY, 1], ["", " ", ""], LONG, ["V1", DAY, 2])
    assert found.rows == [2, 5]


def test_each_filled_cell_of_a_wide_sheet_is_an_entry(tmp_path: Path) -> None:
    head = ["Vehicle", date(2026, 1, 31), "Feb 2026"]
    found = entries(tmp_path, head, ["V1", 100, 200], ["V2", "", 300])
    assert list(zip(found.rows, found.columns, strict=True)) == [(2, "B"), (2, "C"), (3, "C")]
    assert found.odometers.values.tolist() == [100, 200, 300]
    assert json.loads(found.raw[2]) == ["V2", "Feb 2026", 300]
    assert found.vehicles == ["V1", "V1", "V2"]


def test_wide_cells_take_the_day_of_their_column(tmp_path: Path) -> None:
    found = entries(tmp_path, ["Vehicle", "2026-01-02", "2026-01-01"], ["V1", 1, 2])
    first, second = found.moments.wall_s.tolist()
    assert first - second == 86_400


def test_units_come_from_heading_or_row(tmp_path: Path) -> None:
    head = ["Vehicle", "Date", "Odometer [mi]", "Unit"]
    found = entries(tmp_path, head, ["V1", DAY, 1, ""], ["V1", DAY, 2, "km"])
    assert found.units == ["mi", "km"]


def test_engine_hours_and_notes_stand_beside_the_odometer(tmp_path: Path) -> None:
    head = [*LONG, "Engine hours", "Note"]
    found = entries(tmp_path, head, ["V1", DAY, 1, 20.5, "ok"])
    assert found.hours is not None
    assert found.hours.values.tolist() == [20.5]
    assert list(found.notes) == ["ok"]


def test_a_date_and_a_time_column_make_one_moment(tmp_path: Path) -> None:
    head = ["Vehicle", "Date", "Time", "Odometer"]
    found = entries(tmp_path, head, ["V1", DAY, "14:05", 1], ["V1", DAY, "", 2])
    assert found.moments.time_known.tolist() == [True, False]


def test_typed_and_written_dates_of_a_column_agree(tmp_path: Path) -> None:
    moment = datetime(2026, 3, 31, 14, 5)  # noqa: DTZ001
    found = entries(tmp_path, LONG, ["V1", moment, 1], ["V1", "2026-03-31 14:05", 2])
    assert found.moments.wall_s[0] == found.moments.wall_s[1]
    typed = entries(tmp_path, LONG, ["V1", moment, 1], ["V1", DAY, 2])
    assert typed.moments.wall_s[0] == found.moments.wall_s[0]
    assert typed.moments.time_known.tolist() == [True, False]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (["V1", "soon", 1], "B2 holds “soon”, which is no date"),
        (["V1", DAY, "n/a"], "C2 is no number"),
        (["V1", DAY, ""], "C2 holds nothing"),
        (["", DAY, 5], "A2 holds nothing where the vehicle should stand"),
        (["Total", "", 300], "Row 2 adds up others (“Total”): a totals row is not read"),
        (["Subtotal north", "", 300], "a totals row is not read"),
        (["Gesamtsumme", "", 300], "a totals row is not read"),
        (["Summe", "", 300], "a totals row is not read"),
        (["", "Total général", 300], "Row 2 adds up others (“Total général”)"),
        (["", "", 300], "neither vehicle nor date: taken for a totals row"),
        ([DAY, DAY, 5], "A2 holds “2026-03-31” where the vehicle"),
    ],
)
def test_what_cannot_be_read_names_its_cell(tmp_path: Path, row: list[Any], words: str) -> None:
    found = entries(tmp_path, LONG, row)
    assert words in found.faults[0]


def test_a_formula_without_a_value_is_an_entry_that_cannot_be_read(tmp_path: Path) -> None:
    path = write_ods(tmp_path / "a.ods", [["Vehicle", "2026-01-31"], ["V1", "x"]])
    with open_spreadsheet(path) as spreadsheet:
        (found,) = read_entries(survey_all(spreadsheet)[0])
    assert "B2 is no number" in found.faults[0]
    assert raw_rows([[WITHOUT_VALUE]]) == ['["formula without a value"]']


def test_raw_rows_keep_every_mark(tmp_path: Path) -> None:
    rows = [["],\n[", 'a"b', "x\\u0000y"], ["\x00", "=1+1", DAY]]
    assert [json.loads(raw) for raw in raw_rows(rows)] == [rows[0], ["\x00", "=1+1", "2026-03-31"]]


def test_a_sheet_without_readings_is_left_alone(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", Info=[["Hello"]], March=[LONG, ["V1", DAY, 1]])
    with open_spreadsheet(path) as spreadsheet:
        assert [found.count for found in survey_all(spreadsheet)] == [0, 1]


def test_rows_of_a_sheet_with_doubled_headings_are_kept_as_unreadable(tmp_path: Path) -> None:
    path = write_xlsx(
        tmp_path / "a.xlsx",
        March=[LONG, ["V1", DAY, 1]],
        April=[[*LONG, "Mileage"], ["V1", DAY, 1, 2]],
    )
    with open_spreadsheet(path) as spreadsheet:
        (found,) = read_entries(survey_all(spreadsheet)[1])
    assert "more than one heading for the odometer (C1 and D1)" in found.faults[0]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([["Hello"]], "Sheet “March” has no heading row"),
        ([[*LONG, "Mileage"], ["V1", DAY, 1, 2]], "more than one heading"),
        ([LONG], "nothing below the headings"),
    ],
)
def test_a_file_without_any_reading_is_refused(
    tmp_path: Path, rows: list[list[Any]], words: str
) -> None:
    with pytest.raises(SpreadsheetFault, match=words):
        entries(tmp_path, *rows)


@pytest.mark.parametrize(
    ("sheets", "end"),
    [("ABC", "column per date."), ("ABCDE", "Nor has any of the 2 other sheets.")],
)
def test_three_sheets_without_headings_are_named_and_the_others_counted(
    tmp_path: Path, sheets: str, end: str
) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", **dict.fromkeys(sheets, [["Hello"]]))
    with (
        open_spreadsheet(path) as spreadsheet,
        pytest.raises(SpreadsheetFault, match=f"“A” has .*“B” has .*“C” has .*{end}$"),
    ):
        survey_all(spreadsheet)


def test_entries_run_on_through_many_chunks(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Vehicle,Date,Odometer\n" + "V1,2026-03-31,5\n" * 20_005)
    with open_spreadsheet(path) as spreadsheet:
        (found,) = survey_all(spreadsheet)
        rows = [row for part in read_entries(found) for row in part.rows]
    assert rows == list(range(2, 20_007))
    assert found.count == 20_005
