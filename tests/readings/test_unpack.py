"""Rules by which files are cut into rows and refused, each at both sides of its limit."""

import io
import pickle
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.readings import unpack
from fleet.readings.unpack import ERROR_VALUE, WITHOUT_VALUE, Refused
from tests.readings.spreadsheets import ODS_KIND, write_formulas, write_ods, write_xlsx


def written(path: Path) -> tuple[list[dict[str, Any]], list[tuple[int, int, list[Any]]]]:
    """What is said of each sheet, and the chunks of its rows."""
    out = io.BytesIO()
    sheets = unpack.write_rows(path, out)
    out.seek(0)
    chunks = []
    while out.tell() < len(out.getvalue()):
        chunks.append(pickle.load(out))  # noqa: S301 - written a line above
    return sheets, chunks


def text(path: Path, given: str) -> Path:
    path.write_text(given)
    return path


@pytest.mark.parametrize(
    ("rows", "begins"), [(1, [1]), (3, [1]), (4, [1, 4]), (6, [1, 4]), (7, [1, 4, 7])]
)
def test_rows_go_in_chunks_that_say_with_which_row_they_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int, begins: list[int]
) -> None:
    monkeypatch.setattr(unpack, "CHUNK_ROWS", 3)
    sheets, chunks = written(text(tmp_path / "a.csv", "".join(f"{at},x\n" for at in range(rows))))
    assert sheets == [{"name": "", "height": rows, "width": 2}]
    assert [first for _, first, _ in chunks] == begins
    assert [row for _, _, part in chunks for row in part] == [[str(at), "x"] for at in range(rows)]


def test_each_sheet_has_its_number_and_its_size(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", One=[["a"], ["b", "c"]], Two=[], Three=[["d"]])
    sheets, chunks = written(path)
    assert sheets == [
        {"name": "One", "height": 2, "width": 2},
        {"name": "Two", "height": 0, "width": 0},
        {"name": "Three", "height": 1, "width": 1},
    ]
    assert chunks == [(0, 1, [["a", ""], ["b", "c"]]), (2, 1, [["d"]])]


def test_blank_columns_on_the_left_and_blank_rows_above_keep_their_places(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[[], ["", "", "x", True, False, "  "]])
    assert written(path)[1] == [
        (0, 1, [["", "", "", "", "", ""], ["", "", "x", "TRUE", "FALSE", ""]])
    ]


def test_rows_go_to_a_file(tmp_path: Path) -> None:
    rows = tmp_path / "rows"
    told = unpack.rows_to_file(text(tmp_path / "a.csv", "a;b\n1;2\n"), rows)
    assert told == [{"name": "", "height": 2, "width": 2}]
    assert pickle.loads(rows.read_bytes()) == (0, 1, [["a", "b"], ["1", "2"]])  # noqa: S301


# --- zipped workbooks ------------------------------------------------------------------------
def archive(path: Path, **parts: bytes | str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as opened:
        for name, part in parts.items():
            opened.writestr(name.replace("__", "/"), part)
    return path


def refused(path: Path) -> str:
    with pytest.raises(Refused) as fault:
        list(unpack.open_sheets(path))
    return str(fault.value)


def test_a_file_has_at_most_so_many_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with zipfile.ZipFile(write_xlsx(tmp_path / "a.xlsx", S=[["x"]])) as opened:
        count = len(opened.namelist())
    monkeypatch.setattr(unpack, "MOST_MEMBERS", count)
    assert written(tmp_path / "a.xlsx")[1] == [(0, 1, [["x"]])]
    monkeypatch.setattr(unpack, "MOST_MEMBERS", count - 1)
    assert f"more than {count - 1} parts" in refused(tmp_path / "a.xlsx")


def test_parts_unpack_to_so_much_together_and_to_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[["x"]])
    with zipfile.ZipFile(path) as opened:
        total = sum(member.file_size for member in opened.infolist())
    monkeypatch.setattr(unpack, "MOST_BYTES", total)
    assert written(path)[0]
    monkeypatch.setattr(unpack, "MOST_BYTES", total - 1)
    assert "unpacks to more than" in refused(path)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "The file is empty"),
        (unpack.OLE, "old binary format"),
        (unpack.OLE + b"x" + "EncryptedPackage".encode("utf-16-le"), "protected by a password"),
        (b"PK broken", "damaged or incomplete"),
    ],
)
def test_what_a_file_is_is_told_by_how_it_begins(tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "a").write_bytes(data)
    assert said in refused(tmp_path / "a")


@pytest.mark.parametrize(("spare", "fits"), [(0, True), (1, False)])
def test_a_part_may_be_two_hundred_times_its_size_and_a_small_one_two_megabytes(
    tmp_path: Path, spare: int, fits: bool
) -> None:
    # a hundredth of 1 MiB counts as its size at least: 10,485 bytes, so 2,097,000 are allowed
    with zipfile.ZipFile(archive(tmp_path / "a.zip", x=bytes(2_097_000 + spare))) as opened:
        member = opened.getinfo("x")
        assert member.compress_size < 10_485
        if fits:
            assert len(unpack._inflate(opened, member, 1 << 30)) == 2_097_000
        else:
            with pytest.raises(Refused, match="200 times its size"):
                unpack._inflate(opened, member, 1 << 30)


@pytest.mark.parametrize("allowed", [99, 100])
def test_a_part_stops_at_what_is_left(tmp_path: Path, allowed: int) -> None:
    with zipfile.ZipFile(archive(tmp_path / "a.zip", x=bytes(100))) as opened:
        member = opened.getinfo("x")
        if allowed == 100:
            assert unpack._inflate(opened, member, allowed) == bytes(100)
            return
        with pytest.raises(Refused, match="more than 256 MB"):
            unpack._inflate(opened, member, allowed)


def test_which_zips_are_spreadsheets_is_told_by_what_is_in_them(tmp_path: Path) -> None:
    assert "no spreadsheet of a known kind" in refused(archive(tmp_path / "a", word="x"))
    other = archive(tmp_path / "b", mimetype="application/vnd.oasis.opendocument.text")
    assert "no spreadsheet of a known kind" in refused(other)
    odd = archive(tmp_path / "c", mimetype=ODS_KIND + "-template", content="x")
    assert "damaged" in refused(odd)  # of that kind, but nothing in it
    assert written(write_ods(tmp_path / "d.ods", [["a", 1]]))[1] == [(0, 1, [["a", 1.0]])]
    for name in ("e", "f"):
        locked = archive(
            tmp_path / name,
            mimetype=ODS_KIND,
            **{"META-INF__manifest.xml": "<m><encryption-data/></m>" if name == "e" else "<m/>"},
        )
        assert ("password" in refused(locked)) is (name == "e")


def test_a_workbook_with_a_password_on_its_parts_is_refused(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[["x"]])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x01\x02")  # the last entry of the directory; its flags stand 8 bytes on
    data[at + 8] |= 1
    path.write_bytes(data)
    assert "protected by a password" in refused(path)


def test_formulas_without_a_value_or_with_an_error_are_marked_in_their_place(
    tmp_path: Path,
) -> None:
    path = write_formulas(tmp_path / "a.xlsx", [("=1+1", ""), ("=1/0", "#DIV/0!"), ("=1+2", 3)])
    rows = written(path)[1][0][2]
    assert [row[0] for row in rows] == [WITHOUT_VALUE, ERROR_VALUE, 3.0, "end"]


@pytest.mark.parametrize(
    ("part", "found"),
    [
        ('<c r="B3"><f>1+1</f></c>', {(3, 1): WITHOUT_VALUE}),
        ('<c r="AA12" s="1"><f>1+1</f><v/></c>', {(12, 26): WITHOUT_VALUE}),
        ('<c r="AB7"><f t="shared" si="0"/><v></v></c>', {(7, 27): WITHOUT_VALUE}),
        ('<x:c r="C1"> <x:f>1</x:f> <x:v/> </x:c>', {(1, 2): WITHOUT_VALUE}),
        ('<c r="BA1"><f>1</f></c><c r="ZZ2"><f>1</f></c>',
         {(1, 52): WITHOUT_VALUE, (2, 701): WITHOUT_VALUE}),
        ('<c r="A1"><f>1+1</f><v>2</v></c>', {}),
        ('<c r="A1" t="str"><f>x</f></c>', {}),  # an empty text is what the formula gives
        ('<c r="A1" t="e"><v>#REF!</v></c>', {(1, 0): ERROR_VALUE}),
        ('<c r="A1" t="e"><f>1/0</f><v>#DIV/0!</v></c>', {(1, 0): ERROR_VALUE}),
        ('<c r="A1"><v>2</v></c>', {}),
        ("", {}),
    ],
)  # fmt: skip
def test_cells_without_a_value_are_found_in_a_sheets_part(
    part: str, found: dict[tuple[int, int], str]
) -> None:
    assert unpack._without_value(part.encode()) == found


def test_a_mark_takes_no_place_of_a_value_nor_one_beyond_the_row() -> None:
    marks = {(2, 1): WITHOUT_VALUE, (2, 2): ERROR_VALUE, (2, 9): ERROR_VALUE, (7, 0): ERROR_VALUE}
    rows = unpack._clean(iter([["a", "b"], ["c", 5]]), [""], marks)
    assert list(rows) == [["", "a", "b"], ["", "c", 5]]
    rows = unpack._clean(iter([["a", "b"], [None, ""]]), [""], marks)
    assert list(rows) == [["", "a", "b"], ["", WITHOUT_VALUE, ERROR_VALUE]]


def test_sheets_are_tied_to_their_parts_by_the_links_of_the_workbook(tmp_path: Path) -> None:
    main, doc = "urn:main", "urn:doc"
    workbook = (
        f'<w xmlns="{main}" xmlns:r="{doc}"><sheets><sheet name="A" r:id="r1"/>'
        '<sheet name="B" r:id="r2"/><sheet name="C" r:id="r9"/></sheets></w>'
    )
    links = '<L><l Id="r1" Target="worksheets/s1.xml"/><l Id="r2" Target="/xl/two.xml"/></L>'
    path = tmp_path / "b.xlsx"
    with zipfile.ZipFile(path, "w") as opened:
        opened.writestr("xl/workbook.xml", workbook)
        opened.writestr("xl/_rels/workbook.xml.rels", links)
    with zipfile.ZipFile(path) as opened:
        assert unpack._sheet_parts(opened) == {
            **{"A": "xl/worksheets/s1.xml", "B": "xl/two.xml", "C": "xl/"},
        }


# --- size ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("height", "width", "fits"),
    [(1_000_000, 400, True), (1_000_001, 1, False), (1, 401, False)],
)
def test_a_sheet_has_at_most_a_million_rows_and_four_hundred_columns(
    height: int, width: int, fits: bool
) -> None:
    if fits:
        unpack._check_size("S", height, width)
        return
    with pytest.raises(Refused, match=f"has {height} rows and {width} columns"):
        unpack._check_size("S", height, width)


@pytest.mark.parametrize(("rows", "columns"), [(3, 3), (4, 2), (2, 4)])
def test_size_is_looked_at_in_workbooks_and_text_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int, columns: int
) -> None:
    monkeypatch.setattr(unpack, "MOST_ROWS", 3)
    monkeypatch.setattr(unpack, "MOST_COLUMNS", 3)
    table = [["x"] * columns] * rows
    paths = (
        write_xlsx(tmp_path / "a.xlsx", S=table),
        text(tmp_path / "a.csv", "".join(",".join(row) + "\n" for row in table)),
    )
    for path in paths:
        if rows == columns:
            assert written(path)[1] == [(0, 1, table)]
            continue
        with pytest.raises(Refused, match=f"has {rows} rows and {columns} columns"):
            written(path)


def test_dates_of_a_workbook_stay_dates(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", S=[[date(2026, 3, 1), 5, "x"]])
    assert written(path)[1] == [(0, 1, [[date(2026, 3, 1), 5.0, "x"]])]
