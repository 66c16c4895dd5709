"""Sheets as they come: well over a hundred kinds, each with what must become of its rows.

Everything is made here, by hand or by rule; nothing is taken from a real fleet.
"""

import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import xlsxwriter

from tests.readings.spreadsheets import write_ods, write_xlsx

HEAD = ["Vehicle", "Date", "Odometer", "Note"]
ROWS = [
    ["V-101", "2026-03-02", "15000", "Grün"],
    ["V-102", "2026-03-02", "15100", "ok"],
    ["V-101", "2026-03-09", "15600", "naïve"],
]
REFUSED = (-1,)


@dataclass(frozen=True)
class Dirty:
    """A file, the numbers of its rows that must each be accounted for, and how many are read.

    ``rows`` is REFUSED for a file that is refused whole, with a sentence, and None where either
    will do.
    """

    name: str
    data: bytes
    rows: tuple[int, ...] | None = (2, 3, 4)
    readings: int | None = 3  # None: whatever the program makes of them


def every() -> Iterator[Dirty]:
    """All kinds, each name once."""
    for family in (encodings, dates, moments, numbers, places, repeats, broken, bombs, files):
        yield from family()


def table(
    rows: Sequence[Sequence[str]] = ROWS,
    mark: str = ";",
    end: str = "\n",
    head: Sequence[str] = HEAD,
) -> str:
    return end.join(mark.join(row) for row in [head, *rows]) + end


# --- text ------------------------------------------------------------------------------------
def encodings() -> Iterator[Dirty]:
    ends = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        for word, mark in (("comma", ","), ("semicolon", ";"), ("tab", "\t"), ("pipe", "|")):
            for line, end in ends.items():
                if encoding != "utf-8" and (mark in ",|" or mark == "\t" and line != "lf"):
                    continue  # tried often enough
                text = table(mark=mark, end=end)
                yield Dirty(f"{encoding} {word} {line}", text.encode(encoding))
    yield Dirty("latin-1 with a broken letter", table().encode("cp1252").replace(b"\xef", b"\x81"))
    yield Dirty("one row without a line end", table().rstrip("\n").encode())
    yield Dirty("blank lines between", table().replace("\n", "\n\n").encode(), (3, 5, 7))
    yield Dirty("blank lines above", ("\n\n\n" + table()).encode(), (5, 6, 7))
    yield Dirty("a title above", ("Our fleet\n\n" + table()).encode(), (4, 5, 6))
    yield Dirty("a line that names the mark", ("sep=;\n" + table()).encode(), None, None)
    yield Dirty("every cell quoted", table(mark='";"').replace("\n", '"\n"').encode(), None, None)
    yield Dirty("blanks around everything", table(mark=" ; ").encode())
    yield Dirty("no-break blanks around", table(mark="\u00a0;\u00a0").encode())
    yield Dirty("a mark of the order of bytes twice", b"\xef\xbb\xbf" + table().encode("utf-8-sig"))
    yield Dirty("marks at the ends of lines", table().replace("\n", ";;;\n").encode())
    yield Dirty("capital headings", table(head=[one.upper() for one in HEAD]).encode())
    yield Dirty("a column without a heading", table(head=[*HEAD[:3], ""]).encode())
    yield Dirty(
        "a bracket in a heading", table(head=["Vehicle", "Date", "Odometer (km)", "N"]).encode()
    )
    for sign in ("\x00", "\x01", "\x0b", "\x1b", "\x7f", "\u200b", "\ufeff", "\u202e"):
        text = table().replace("ok", f"o{sign}k")
        yield Dirty(f"sign {ord(sign):04x} in a note", text.encode(), (2, 3, 4), None)
    for sign in ("\u200b", "\u00a0", "\u2011"):
        text = table().replace("V-102", f"V-102{sign}" if sign != "\u2011" else f"V{sign}102")
        yield Dirty(f"sign {ord(sign):04x} in a fleet number", text.encode(), (2, 3, 4), None)
    long = table().replace("ok", "x" * 100_000)
    yield Dirty("a huge note", long.encode(), (2, 3, 4), None)


# --- cells -----------------------------------------------------------------------------------
def one(cell: str, column: int, quote: bool = False) -> bytes:
    rows = [list(row) for row in ROWS]
    rows[1][column] = f'"{cell}"' if quote else cell
    return table(rows, mark="\t").encode()


def dates() -> Iterator[Dirty]:
    good = (
        *("2026-03-02", "02.03.2026", "2.3.2026", "2 March 2026", "2. März 2026", "2026/03/02"),
        *("2026-03-02T07:30", "2026-03-02 07:30", "2026-03-02T07:30:00Z", "20260302"),
        *("Mon 2 Mar 2026", "March 2, 2026", "2-Mar-2026"),
    )
    for text in good:
        yield Dirty(f"date {text}", one(text, 1), (2, 3, 4), None)
    for text in (
        "30.02.2026",
        "2026-13-01",
        "yesterday",
        "0",
        "46083",
        "",
        "2199-01-01",
        "1899-12-30",
    ):
        yield Dirty(f"date that is doubtful {text!r}", one(text, 1), (2, 3, 4), None)


def moments() -> Iterator[Dirty]:
    for text in ("07:30", "7.30", "25:00", "24:00", "7:30 pm", "noon", "0.3125"):
        rows = [["V-101", "2026-03-02", text, "15000"]]
        head = ["Vehicle", "Date", "Time", "Odometer"]
        yield Dirty(f"time {text}", table(rows, head=head).encode(), (2,), None)


def numbers() -> Iterator[Dirty]:
    texts = (
        *("15100", "15,100", "15.100", "15 100", "15\u00a0100", "15\u202f100", "15'100", "15100.0"),
        *(
            "15100,0",
            "15,100.0",
            "15.100,0",
            "15100 km",
            "15100km",
            "9383 mi",
            "15100 KM",
            "+15100",
        ),
        *(
            "015100",
            "1.51e4",
            "１５１００",
            "١٥١٠٠",
            "-15100",
            "",
            "n/a",
            "?",
            "-",
            "15100?",
            "~15100",
        ),
        *(
            "15100/15200",
            "15OOO",
            "NaN",
            "inf",
            "1e999",
            "9" * 40,
            "0",
            "0.0001",
            "=15100",
            "#REF!",
        ),
        *("1,5,1,0,0", "1.5.1.0.0", "15100 h", "15100 miles", "15 thousand", "TRUE", "12:30"),
    )
    for text in texts:
        yield Dirty(f"odometer {text[:20]!r}", one(text, 2), (2, 3, 4), None)


def places() -> Iterator[Dirty]:
    for text in (
        "V-999",
        "",
        "v-102",
        " V-102 ",
        "V102",
        "=V-102",
        "V-102;DROP",
        "x" * 5_000,
        "../V",
    ):
        yield Dirty(f"fleet number {text[:20]!r}", one(text, 0), (2, 3, 4), None)


def repeats() -> Iterator[Dirty]:
    twice = [ROWS[0], ROWS[0], ROWS[1]]
    yield Dirty("the same row twice", table(twice).encode(), (2, 3, 4), None)
    other = [ROWS[0], [*ROWS[0][:2], "15001", ""], ROWS[1]]
    yield Dirty("two figures for one day", table(other).encode(), (2, 3, 4), None)
    again = [ROWS[0], HEAD, ROWS[1]]
    yield Dirty("the headings once more", table(again).encode(), (2, 4), 2)
    backwards = [ROWS[2], ROWS[1], ROWS[0]]
    yield Dirty("newest first", table(backwards).encode())
    total = [*ROWS, ["Total", "", "45700", ""]]
    yield Dirty("a total below", table(total).encode(), (2, 3, 4, 5), 3)
    short = [ROWS[0], ["V-102"], ROWS[2]]
    yield Dirty("a row that stops early", table(short).encode(), (2, 3, 4), None)
    longer = [ROWS[0], [*ROWS[1], *["more"] * 50], ROWS[2]]
    yield Dirty("a row that goes on", table(longer).encode(), (2, 3, 4), None)
    yield Dirty("headings alone", table([]).encode(), REFUSED, None)
    many = [["V-101", f"2026-03-{day:02}", str(15_000 + 10 * day), ""] for day in range(1, 29)] * 40
    yield Dirty("a thousand rows", table(many).encode(), tuple(range(2, 1122)), None)
    heads = ["Vehicle", "Date", "Odometer", "Odometer"]
    yield Dirty("one heading twice", table(head=heads).encode(), None, None)


# --- what is none ----------------------------------------------------------------------------
def broken() -> Iterator[Dirty]:
    made = workbook(lambda file: fill(file.add_worksheet("March")))
    yield Dirty("nothing at all", b"", REFUSED, None)
    yield Dirty("blanks alone", b" \n \n", REFUSED, None)
    yield Dirty("the mark of the order of bytes alone", b"\xef\xbb\xbf", REFUSED, None)
    yield Dirty("zeros", bytes(5_000), REFUSED, None)
    yield Dirty("noise", bytes(range(256)) * 40, REFUSED, None)
    yield Dirty("a picture", b"\x89PNG\r\n\x1a\n" + bytes(200), REFUSED, None)
    yield Dirty("a document", b"%PDF-1.7\n" + bytes(200), REFUSED, None)
    yield Dirty("a page", b"<html><table><tr><td>V-101</td></tr></table></html>", REFUSED, None)
    yield Dirty("a letter", b"{\\rtf1 V-101}", REFUSED, None)
    yield Dirty(
        "an old workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2_000), REFUSED, None
    )
    yield Dirty("prose", b"We drove a lot last week.\nIt rained.\n", REFUSED, None)
    yield Dirty("other columns", b"a,b,c\n1,2,3\n", REFUSED, None)
    yield Dirty("an empty packed file", packed({}), REFUSED, None)
    yield Dirty("packed, but no workbook", packed({"a.txt": b"V-101"}), REFUSED, None)
    yield Dirty("a path that leads out", packed({"../../a.xml": b"x"}), REFUSED, None)
    for share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.99):
        yield Dirty(f"cut off at {share}", made[: int(len(made) * share)], REFUSED, None)
    for at in (200, 900, 2_000):
        hurt = bytearray(made)
        hurt[at : at + 40] = b"\xff" * 40
        yield Dirty(f"hurt at {at}", bytes(hurt), REFUSED, None)


def bombs() -> Iterator[Dirty]:
    sheet = "xl/worksheets/sheet1.xml"
    zeros = bytes(120 << 20)
    yield Dirty("a part that unpacks to 120 MB", with_part(sheet, zeros), REFUSED, None)
    many = {f"xl/media/{n}.bin": bytes(1 << 20) for n in range(300)}
    yield Dirty("many parts of 1 MB", packed({**parts(), **many}), REFUSED, None)
    grown = (
        b'<?xml version="1.0"?><!DOCTYPE w [<!ENTITY a "aaaaaaaaaa">'
        + b"".join(
            f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">'.encode() for n in range(9)
        )
        + b"]><worksheet>&j;</worksheet>"
    )
    yield Dirty("entities that grow", with_part(sheet, grown), REFUSED, None)
    outer = b'<?xml version="1.0"?><!DOCTYPE w [<!ENTITY x SYSTEM "file:///etc/passwd">]><w>&x;</w>'
    yield Dirty("an entity from outside", with_part(sheet, outer), REFUSED, None)
    wide = table(head=[*HEAD[:3], *["x"] * 20_000])
    yield Dirty("twenty thousand columns", wide.encode(), None, None)
    yield Dirty("many brackets in a heading", table(head=[*HEAD[:3], "(" * 25_000]).encode())
    yield Dirty("many marks in a line", ("V" + ";" * 500_000 + "\n" + table()).encode(), None, None)
    yield Dirty("a line of 5 MB", (table() + "V-101;" + "x" * 5_000_000).encode(), None, None)
    yield Dirty("many figures in a cell", one("1" * 60_000, 2), (2, 3, 4), None)
    yield Dirty("many blanks in a cell", one("1" + " " * 60_000 + "1", 2), (2, 3, 4), None)
    yield Dirty("many signs for thousands", one("1," * 30_000, 2), (2, 3, 4), None)


# --- workbooks -------------------------------------------------------------------------------
def files() -> Iterator[Dirty]:
    yield Dirty("a workbook", workbook(lambda file: fill(file.add_worksheet("March"))))
    yield Dirty("days as days", workbook(_with_days))
    yield Dirty("days from 1904 on", workbook(_with_days, date_1904=True))
    yield Dirty("figures as text", workbook(lambda file: fill(file.add_worksheet("a"), text=True)))
    yield Dirty("a formula with its value", workbook(_with_formula))
    yield Dirty("formulas without a value", workbook(_without_value), (2, 3, 4), None)
    yield Dirty("another sheet first", workbook(_behind_another))
    yield Dirty("cells joined", workbook(_joined), (3, 4, 5))
    yield Dirty("a hidden sheet", workbook(_hidden), None, None)
    yield Dirty("many sheets", workbook(_many_sheets), None, None)
    yield Dirty("a far cell", workbook(_far), REFUSED, None)
    yield Dirty("macros by name", with_part("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0"), None, None)
    with TemporaryDirectory() as folder:
        path = write_ods(Path(folder) / "a.ods", [HEAD, *ROWS])
        yield Dirty("an open document", path.read_bytes())
        locked = write_ods(Path(folder) / "b.ods", [HEAD], manifest="<encryption-data/>")
        yield Dirty("an open document that is locked", locked.read_bytes(), None, None)
        wide = [
            ["Vehicle", date(2026, 3, 2), date(2026, 3, 9)],
            ["V-101", 15000, 15600],
            ["V-102", "", 9],
        ]
        path = write_xlsx(Path(folder) / "c.xlsx", Days=wide)
        yield Dirty("a column for each day", path.read_bytes(), None, None)


def workbook(made: Callable[[Any], None], **options: Any) -> bytes:
    out = BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, **options}) as file:
        made(file)
    return out.getvalue()


def fill(sheet: Any, top: int = 0, text: bool = False) -> None:
    sheet.write_row(top, 0, HEAD)
    for number, (vehicle, day, km, note) in enumerate(ROWS, start=top + 1):
        sheet.write_row(number, 0, [vehicle, day])
        sheet.write_string(number, 2, km) if text else sheet.write_number(number, 2, float(km))
        sheet.write_string(number, 3, note)


def _with_days(file: Any) -> None:
    sheet, day = file.add_worksheet("March"), file.add_format({"num_format": "dd/mm/yyyy"})
    fill(sheet)
    for number, row in enumerate(ROWS, start=1):
        sheet.write_datetime(number, 1, datetime.fromisoformat(row[1]), day)


def _with_formula(file: Any) -> None:
    sheet = file.add_worksheet("March")
    fill(sheet)
    sheet.write_formula(2, 2, "=15000+100", None, 15100)


def _without_value(file: Any) -> None:
    sheet = file.add_worksheet("March")
    fill(sheet)
    sheet.write_formula(2, 2, "=1/0", None, "#DIV/0!")
    sheet.write_formula(3, 2, "=NOW()", None, "")


def _behind_another(file: Any) -> None:
    file.add_worksheet("Read me").write(0, 0, "Hello")
    fill(file.add_worksheet("March"))


def _joined(file: Any) -> None:
    sheet = file.add_worksheet("March")
    sheet.merge_range(0, 0, 0, 3, "Our fleet")
    fill(sheet, top=1)


def _hidden(file: Any) -> None:
    fill(file.add_worksheet("March"))
    other = file.add_worksheet("Old")
    fill(other)
    other.hide()


def _many_sheets(file: Any) -> None:
    for number in range(60):
        fill(file.add_worksheet(f"S{number}"))


def _far(file: Any) -> None:
    sheet = file.add_worksheet("March")
    fill(sheet)
    sheet.write(5_000, 400, "x")


def packed(named: dict[str, bytes]) -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as file:
        for name, data in named.items():
            file.writestr(name, data)
    return out.getvalue()


def parts() -> dict[str, bytes]:
    """The parts of a workbook that is well."""
    made = workbook(lambda file: fill(file.add_worksheet("March")))
    with zipfile.ZipFile(BytesIO(made)) as file:
        return {name: file.read(name) for name in file.namelist()}


def with_part(name: str, data: bytes) -> bytes:
    return packed({**parts(), name: data})
