"""Opening foreign files; each bad file is made here by hand."""

import codecs
import subprocess
import sys
import zipfile
from datetime import date, datetime
from pathlib import Path

import pytest

from fleet.readings import spreadsheet, unpack
from fleet.readings.spreadsheet import (
    ERROR_VALUE,
    WITHOUT_VALUE,
    SpreadsheetFault,
    open_spreadsheet,
    read_spreadsheet,
)
from tests.readings import readers
from tests.readings.bomb import write_bomb
from tests.readings.spreadsheets import write_formulas, write_ods, write_xlsx

ROWS = [["Vehicle", "Date", "km"], ["V1", date(2026, 3, 1), 12345.5]]
TEXT = "Vehicle;Date;Größe\nV1;2026-03-01;12345,5\n"
CELLS = [["Vehicle", "Date", "Größe"], ["V1", "2026-03-01", "12345,5"]]


def test_a_workbook_is_read_whatever_its_name(tmp_path: Path) -> None:
    assert read_spreadsheet(write_xlsx(tmp_path / "odd.csv", March=ROWS)) == {"March": ROWS}


def test_an_open_document_sheet_is_read(tmp_path: Path) -> None:
    assert read_spreadsheet(write_ods(tmp_path / "a.ods", ROWS)) == {"Sheet1": ROWS}


def test_rows_keep_their_numbers_below_blank_ones(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[[], [], ["", "x"]])
    assert read_spreadsheet(path)["S"] == [["", ""], ["", ""], ["", "x"]]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
def test_text_is_read_in_every_common_encoding(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(TEXT.encode(encoding))
    assert read_spreadsheet(path) == {"": CELLS}


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_separator_is_found(tmp_path: Path, mark: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f'a{mark}b{mark}c\n"1{mark}5"{mark}2{mark}3\n')
    assert read_spreadsheet(path)[""] == [["a", "b", "c"], [f"1{mark}5", "2", "3"]]


def test_short_lines_are_filled_up(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Title\na,b\n1,2\n")
    assert read_spreadsheet(path)[""][0] == ["Title", ""]


def test_formulas_without_a_value_are_not_taken_for_blank(tmp_path: Path) -> None:
    path = write_formulas(tmp_path / "a.xlsx", [("=1+1", ""), ("=1/0", "#DIV/0!"), ("=1+2", 3)])
    cells = [row[0] for row in read_spreadsheet(path)["Formulas"]]
    assert cells == [WITHOUT_VALUE, ERROR_VALUE, 3.0, "end"]


def test_many_rows_arrive_in_chunks(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("a,b\n" * (unpack.CHUNK_ROWS + 5))
    with open_spreadsheet(path) as opened:
        sizes = [(first, len(rows)) for first, rows in opened.sheets[0].chunks()]
    assert sizes == [(1, unpack.CHUNK_ROWS), (unpack.CHUNK_ROWS + 1, 5)]


def refusal(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    with pytest.raises(SpreadsheetFault) as fault:
        read_spreadsheet(path)
    return str(fault.value)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"  \r\n ", "empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00", "neither a spreadsheet"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n\x00\x01\x02", "neither a spreadsheet"),
        (b"%PDF-1.4 and nothing but text", "neither a spreadsheet"),
        (b"<html><body>Sign in</body></html>", "neither a spreadsheet"),
        (unpack.OLE + b"\x00" * 600, "old binary format"),
        (unpack.OLE + "EncryptedPackage".encode("utf-16-le"), "password"),
        (b"PK\x03\x04broken", "damaged or incomplete"),
    ],
)
def test_what_is_no_sheet_is_refused_with_a_remedy(tmp_path: Path, data: bytes, words: str) -> None:
    message = refusal(tmp_path / "a.xlsx", data)
    assert words in message
    assert "save" in message.lower()


def test_a_truncated_workbook_is_refused(tmp_path: Path) -> None:
    whole = write_xlsx(tmp_path / "a.xlsx", S=ROWS).read_bytes()
    assert "incomplete" in refusal(tmp_path / "b.xlsx", whole[: len(whole) // 2])


def test_an_altered_byte_is_noticed(tmp_path: Path) -> None:
    data = bytearray(write_xlsx(tmp_path / "a.xlsx", S=ROWS).read_bytes())
    with zipfile.ZipFile(tmp_path / "a.xlsx") as opened:
        start = opened.getinfo("xl/worksheets/sheet1.xml").header_offset
    data[start + 80] ^= 0xFF
    assert "damaged" in refusal(tmp_path / "b.xlsx", bytes(data))


def test_another_zip_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as archive:
        archive.writestr("word/document.xml", "<w/>")
    assert "no spreadsheet" in refusal(tmp_path / "b.xlsx", (tmp_path / "a.xlsx").read_bytes())


def test_an_encrypted_open_document_asks_for_one_without_password(tmp_path: Path) -> None:
    path = write_ods(tmp_path / "a.ods", ROWS, manifest="<encryption-data/>")
    assert "password" in refusal(path, path.read_bytes())


def test_a_zip_bomb_is_refused_while_it_unpacks(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=ROWS)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/picture.bin", bytes(4 << 20))
    assert "200 times" in refusal(path, path.read_bytes())


WATCH = """
import sys
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from fleet.readings import apart, spreadsheet
try:
    spreadsheet.read_spreadsheet(Path(sys.argv[1]))
except spreadsheet.SpreadsheetFault as fault:
    print(fault)
apart.mine.end()
print(getrusage(RUSAGE_CHILDREN).ru_maxrss)
"""  # a child begins with the peak of the process that it was forked from: this one has none


def test_ten_gigabytes_in_ten_megabytes_are_refused_in_little_memory(tmp_path: Path) -> None:
    bomb = write_bomb(tmp_path / "bomb.xlsx", blocks=100)
    assert 9 << 20 < bomb.stat().st_size < 11 << 20
    command = [sys.executable, "-c", WATCH, str(bomb)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split("\n")
    assert "200 times" in said[0] or "256 MB" in said[0]
    assert int(said[1]) < 384 << 10  # kB: what may be unpacked, and Python


def test_unpacking_stops_at_the_size_allowed(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=ROWS)
    with zipfile.ZipFile(path) as archive, pytest.raises(unpack.Refused, match="256 MB"):
        unpack._inflate(archive, archive.getinfo("xl/workbook.xml"), 100)


def test_too_many_columns_are_refused(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[["x"] * 401])
    assert "has 1 rows and 401 columns" in refusal(path, path.read_bytes())


def test_a_cell_far_away_is_refused_before_it_fills_memory(tmp_path: Path) -> None:
    data = b"a,b\n" * 1_000_001
    assert "1000001 rows" in refusal(tmp_path / "a.csv", data)


def test_a_reader_that_runs_too_long_is_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spreadsheet, "rows_to_file", readers.stay)
    monkeypatch.setattr(spreadsheet, "TIME_LIMIT_S", 0.1)
    assert "memory or time" in refusal(tmp_path / "a.csv", TEXT.encode())


def test_a_reader_that_dies_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreadsheet, "rows_to_file", readers.die)
    assert "split it into smaller files" in refusal(tmp_path / "a.csv", TEXT.encode())


def test_a_time_of_day_and_a_moment_come_back_as_such(tmp_path: Path) -> None:
    moment = datetime(2026, 3, 1, 13, 45, 7)  # noqa: DTZ001 - a sheet knows no zones
    path = write_xlsx(tmp_path / "a.xlsx", S=[[moment]])
    assert read_spreadsheet(path)["S"] == [[moment]]


def test_the_byte_order_mark_is_no_part_of_the_first_heading(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(codecs.BOM_UTF8 + b"Vehicle,km\nV1,5\n")
    assert read_spreadsheet(path)[""][0][0] == "Vehicle"


def quoted(*lines: str) -> bytes:
    return "\n".join(["Vehicle,Date,Odometer,Note", *lines, ""]).encode()


ROW = "V-1,2026-03-01,5000,"


def test_a_quotation_mark_that_is_never_closed_is_refused_with_its_line(tmp_path: Path) -> None:
    # the 10th of 50 rows: 40 would be taken into one cell
    data = quoted(*[ROW] * 8, f'{ROW}"oil low', *[ROW] * 41)
    assert refusal(tmp_path / "a.csv", data).startswith(
        "Line 10 opens a quotation mark that is not"
    )


@pytest.mark.parametrize(
    "lines",
    [
        [f'{ROW}"oil low', ROW, ROW, f'{ROW}"seen"'],  # closed by the mark of another row
        ['V-1,2026-03-01,"5000,', 'V-2,2026-03-01,"6000,'],  # two marks forgotten, line by line
        ['"V-1","2026-03-01","5000","', '"V-2","2026-03-01","6000",""'],
    ],
)
def test_a_quotation_mark_that_takes_in_rows_is_refused(tmp_path: Path, lines: list[str]) -> None:
    message = refusal(tmp_path / "a.csv", quoted(ROW, *lines, ROW))
    assert "opened in line 3 runs on over line 4" in message


def test_a_field_that_grows_past_the_reader_names_where_it_began(tmp_path: Path) -> None:
    data = quoted(f'{ROW}"oil low', *[ROW] * 8_000)  # 184,000 letters; 131,072 fit a cell
    assert refusal(tmp_path / "a.csv", data).startswith("Line 2 opens")


@pytest.mark.parametrize(
    "note", ['"first line\nsecond line"', '"said ""low"",\nthen filled"', '"a\n\nb, c"', '5" pipe']
)
def test_a_cell_may_hold_line_breaks_and_marks(tmp_path: Path, note: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(quoted(f"{ROW}{note}", ROW))
    assert [row[0] for row in read_spreadsheet(path)[""]] == ["Vehicle", "V-1", "V-1"]


@pytest.mark.parametrize("control", ["\x01", "\x1a", "\x00", "\x0b"])
def test_a_stray_control_character_is_left_out_and_nothing_else(
    tmp_path: Path, control: str
) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(f"Veh{control}icle,km\nV1,5\n".encode())
    assert read_spreadsheet(path)[""] == [["Vehicle", "km"], ["V1", "5"]]
