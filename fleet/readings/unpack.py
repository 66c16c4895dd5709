"""Read the rows of one spreadsheet file, in a process of its own (``apart.py``).

Rows go to a file as pickled ``(sheet, first row, rows)`` chunks of plain values; what is given
back says which sheets there are. The process puts limits on its own memory and time first, so
that a hostile file ends it and nothing else. Only calamine is needed beyond the standard library.
"""

import codecs
import csv
import io
import pickle
import re
import resource
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from fleet.faults import Fault

# The limits are our choice: far beyond any honest sheet, far below what harms the machine.
MEMORY_BYTES = 2 << 30
CPU_SECONDS = 120
ROWS_FILE_BYTES = 2 << 30
STEP_BYTES = 1 << 20
MOST_BYTES = 256 << 20
MOST_RATIO = 200
MOST_MEMBERS = 5_000
MOST_ROWS = 1_000_000
MOST_COLUMNS = 400
CHUNK_ROWS = 10_000
HELD_CELLS = 1_000_000  # about 100 MB

OLE = bytes.fromhex("D0CF11E0A1B11AE1")
MARK = "\ufffe"  # cannot occur in XML, and is taken out of text: begins what is no value
WITHOUT_VALUE = f"{MARK}formula without a value"
ERROR_VALUE = f"{MARK}formula with an error"
TOO_MUCH_MEMORY = "The file needs too much memory: split it into smaller files."
UNREADABLE = (
    "The file cannot be read ({}): open it in a spreadsheet program, save it again and send that."
)
SAVE_AS = "save it as .xlsx, .ods or .csv and send that"

Rows = list[list[Any]]
Chunk = tuple[int, int, Rows]  # number of the sheet, of its first row from 1, rows of one width


class Refused(Fault):
    """The file cannot be read; the text says why and what to do."""


def limit_this_process() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
    resource.setrlimit(resource.RLIMIT_FSIZE, (ROWS_FILE_BYTES, ROWS_FILE_BYTES))


def rows_to_file(source: Path, target: Path) -> list[dict[str, Any]]:
    with target.open("wb") as out:
        return write_rows(source, out)


def write_rows(
    source: Path, out: BinaryIO, held: list[Chunk] | None = None
) -> list[dict[str, Any]]:
    """Write all rows to a file, but for the first so many, if whoever asks holds them."""
    sheets: list[dict[str, Any]] = []
    room = 0 if held is None else HELD_CELLS
    for name, rows in open_sheets(source):
        first, width = 1, 0
        while chunk := list(islice(rows, CHUNK_ROWS)):
            width = max(width, *map(len, chunk))
            room -= len(chunk) * width
            if held is not None and room >= 0:
                held.append((len(sheets), first, chunk))
            else:
                pickle.dump((len(sheets), first, chunk), out, protocol=5)
            first += len(chunk)
        sheets.append({"name": name, "height": first - 1, "width": width})
    return sheets


def open_sheets(source: Path) -> Iterator[tuple[str, Iterator[list[Any]]]]:
    with source.open("rb") as file:
        head = file.read(8)
    if not head:
        raise Refused("The file is empty: save the sheet again and send it once more.")
    if head == OLE:
        raise Refused(_ole_fault(source))
    if head.startswith(b"PK"):
        return _workbook_sheets(source, _look_into(source))
    return _text_sheets(source.read_bytes())


def _ole_fault(source: Path) -> str:
    if "EncryptedPackage".encode("utf-16-le") in source.read_bytes():
        return "The file is protected by a password: save it without one and send it again."
    return f"The file is in an old binary format: {SAVE_AS}."


# --- zipped workbooks ------------------------------------------------------------------------


def _look_into(source: Path) -> dict[str, dict[tuple[int, int], str]]:
    """Inflate every part once within limits; give per sheet part the cells without a value."""
    cells: dict[str, dict[tuple[int, int], str]] = {}
    total = 0
    try:
        with zipfile.ZipFile(source) as archive:
            members = archive.infolist()
            _check_kind(archive, {member.filename for member in members})
            for member in members[:MOST_MEMBERS]:
                part = _inflate(archive, member, MOST_BYTES - total)
                total += len(part)
                if re.fullmatch(r"xl/worksheets/[^/]+\.xml", member.filename):
                    cells[member.filename] = _without_value(part)
            return {name: cells.get(part, {}) for name, part in _sheet_parts(archive).items()}
    except (zipfile.BadZipFile, EOFError, OSError, zipfile.zlib.error, ValueError) as fault:  # type: ignore[attr-defined]
        raise Refused(
            "The file is damaged or incomplete: open it in a spreadsheet program, "
            "save it again and send that."
        ) from fault


def _check_kind(archive: zipfile.ZipFile, names: set[str]) -> None:
    if len(names) > MOST_MEMBERS:
        raise Refused(f"The file has more than {MOST_MEMBERS} parts: {SAVE_AS}.")
    if any(member.flag_bits & 1 for member in archive.infolist()):
        raise Refused("The file is protected by a password: save it without one and send it again.")
    if "xl/workbook.xml" in names:
        return
    kind = archive.read("mimetype")[:100] if "mimetype" in names else b""
    if not kind.startswith(b"application/vnd.oasis.opendocument.spreadsheet"):
        raise Refused(f"The file is no spreadsheet of a known kind: {SAVE_AS}.")
    if "META-INF/manifest.xml" in names:
        manifest = archive.getinfo("META-INF/manifest.xml")
        if b"encryption-data" in _inflate(archive, manifest, MOST_BYTES):
            raise Refused(
                "The file is protected by a password: save it without one and send it again."
            )


def _inflate(archive: zipfile.ZipFile, member: zipfile.ZipInfo, allowed: int) -> bytes:
    size = 0
    steps: list[bytes] = []
    with archive.open(member) as part:
        while step := part.read(STEP_BYTES):
            size += len(step)
            if size > allowed or size > MOST_RATIO * max(member.compress_size, STEP_BYTES // 100):
                raise Refused(
                    f"The file unpacks to more than {MOST_BYTES >> 20} MB or more than "
                    f"{MOST_RATIO} times its size: split it into smaller files."
                )
            steps.append(step)
    return b"".join(steps)


_FORMULA = re.compile(
    rb"<(?:\w+:)?c\s([^>]*)>\s*<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_ERROR = re.compile(rb"<(?:\w+:)?c\s([^>]*\bt=\"e\"[^>]*)>")
_PLACE = re.compile(rb"\br=\"([A-Z]{1,3})([0-9]{1,7})\"")


def _without_value(part: bytes) -> dict[tuple[int, int], str]:
    """Cells that a reader would show as blank although a formula stands in them."""
    found: dict[tuple[int, int], str] = {}
    for pattern, mark, needle in (
        (_FORMULA, WITHOUT_VALUE, b"f>"),
        (_FORMULA, WITHOUT_VALUE, b"f "),
        (_ERROR, ERROR_VALUE, b't="e"'),
    ):
        if needle not in part:
            continue
        for cell in pattern.finditer(part):
            place = _PLACE.search(cell[1])
            if place and b't="str"' not in cell[1]:
                found[int(place[2]), _column(place[1])] = mark
    return found


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Sheet names of an .xlsx and the parts that hold them; nothing for other kinds."""
    from xml.etree import ElementTree  # noqa: S405 - parts are already limited in size

    names = set(archive.namelist())
    if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
        return {}
    try:
        sheets = ElementTree.fromstring(archive.read("xl/workbook.xml"))  # noqa: S314
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))  # noqa: S314
    except ElementTree.ParseError as fault:
        raise ValueError(str(fault)) from fault
    targets = {link.get("Id"): link.get("Target", "") for link in links}
    return {
        sheet.get("name", ""): _part_name(targets.get(_link_of(sheet), ""))
        for sheet in sheets.iter()
        if sheet.tag.endswith("}sheet")
    }


def _link_of(sheet: Any) -> str | None:
    return next((value for key, value in sheet.attrib.items() if key.endswith("}id")), None)


def _part_name(target: str) -> str:
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


def _workbook_sheets(
    source: Path, cells: dict[str, dict[tuple[int, int], str]]
) -> Iterator[tuple[str, Iterator[list[Any]]]]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with CalamineWorkbook.from_path(source) as archive:
            for name in archive.sheet_names:
                sheet = archive.get_sheet_by_name(name)
                lowest, rightmost = sheet.end or (-1, -1)
                _check_size(name, lowest + 1, rightmost + 1)
                left = sheet.start[1] if sheet.start else 0  # blank columns that calamine drops
                yield name, _clean(sheet.iter_rows(), [""] * left, cells.get(name, {}))
    except CalamineError as fault:
        raise Refused(
            f"The file is damaged ({fault}): open it in a spreadsheet program, "
            "save it again and send that."
        ) from fault


def _check_size(name: str, height: int, width: int) -> None:
    if height > MOST_ROWS or width > MOST_COLUMNS:
        raise Refused(
            f"Sheet “{name}” has {height} rows and {width} columns, more than {MOST_ROWS} by "
            f"{MOST_COLUMNS}: split it, or delete what stands far below or to the right."
        )


def _clean(
    rows: Iterator[list[Any]], left: list[Any], cells: dict[tuple[int, int], str]
) -> Iterator[list[Any]]:
    places: dict[int, list[tuple[int, str]]] = {}
    for (number, column), mark in cells.items():
        places.setdefault(number, []).append((column, mark))
    for number, row in enumerate(rows, start=1):
        values = left + [
            cell
            if (kind := type(cell)) in AS_IT_IS or (kind is str and not cell.isspace())
            else _plain(cell)
            for cell in row
        ]
        for column, mark in places.get(number, ()):
            if column < len(values) and values[column] == "":
                values[column] = mark
        yield values


AS_IT_IS = {float, int, date, datetime, time, timedelta}  # kinds of cells


def _plain(cell: Any) -> Any:
    """Booleans as the sheet shows them (True would equal 1.0); blank means nothing at all."""
    if isinstance(cell, str):
        return "" if cell.isspace() else cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    return "" if cell is None else cell


# --- text ------------------------------------------------------------------------------------


def _text_sheets(data: bytes) -> Iterator[tuple[str, Iterator[list[Any]]]]:
    text = decode(data)
    separator = separator_of(text)
    yield "", _text_rows(text, separator)


def decode(data: bytes) -> str:
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            return _decode(data, encoding)
    sample = data[:4096]
    if sample[1::2].count(0) > len(sample) // 4:
        return _decode(data, "utf-16-le")
    if sample[::2].count(0) > len(sample) // 4:
        return _decode(data, "utf-16-be")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    return _readable(text)


_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f]")  # all but tab, line and page ends
FEW_STRANGE = 3  # a stray one in a short text makes no picture of it; our choice


def _decode(data: bytes, encoding: str) -> str:
    return _readable(data.decode(encoding, errors="replace"))


def _readable(text: str) -> str:
    sample = text[:4096]
    strange = len(_CONTROLS.findall(sample)) + sample.count("\ufffd")
    other = sample.lstrip().startswith("<") or sample.startswith("%PDF")
    if other or strange > max(len(sample) // 50, FEW_STRANGE):
        raise Refused(f"The file is neither a spreadsheet nor a table in text: {SAVE_AS}.")
    text = _CONTROLS.sub("", text).replace(MARK, "")
    if not text.strip():
        raise Refused("The file is empty: save the sheet again and send it once more.")
    return text


def separator_of(text: str) -> str:
    """The mark that cuts the first lines into the same number of cells, two at least."""
    head = text.splitlines()[:30]

    def steadiness(mark: str) -> tuple[int, int]:
        widths = [len(row) for row in csv.reader(head, delimiter=mark) if row]
        usual = max(set(widths), key=widths.count) if widths else 1
        most = max(widths, default=1)
        return (widths.count(usual) if usual > 1 else 0, most)

    return max(";\t|,", key=steadiness)


def _text_rows(text: str, separator: str) -> Iterator[list[Any]]:
    table = [row for _, row in _cut(text, separator)]
    widest = max(map(len, table), default=0)
    _check_size("", len(table), widest)
    for cells in table:
        yield [_plain(cell) for cell in cells] + [""] * (widest - len(cells))


def _cut(text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Rows, each with the line that it begins in; refused where a quotation mark takes in rows."""
    lines = io.StringIO(text + ("" if text.endswith("\n") else "\n"), newline="").readlines()
    reader = csv.reader([*lines, MARK], delimiter=separator)
    table: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for row in reader:
            table.append((begins, row))
            begins = reader.line_num + 1
    except csv.Error as fault:
        if reader.line_num > begins:
            raise Refused(_unclosed(begins)) from fault
        raise Refused(f"Line {begins} cannot be cut into cells: {fault}.") from fault
    last, end = table.pop()
    if end != [MARK]:
        raise Refused(_unclosed(last))
    _check_taken_in(lines, table, separator)
    return table


def _unclosed(line: int) -> str:
    return (
        f"Line {line} opens a quotation mark that is not closed, so that the lines below it would "
        "be lost: close it or delete it, and send the file again."
    )


def _check_taken_in(lines: list[str], table: list[tuple[int, list[str]]], separator: str) -> None:
    """Refuse a cell that runs on over lines which are rows themselves."""
    widths = [len(row) for _, row in table]
    usual = max(set(widths), key=widths.count, default=1)
    ends = [begins for begins, _ in table[1:]] + [len(lines) + 1]
    for (begins, _), end in zip(table, ends, strict=True):
        for line in range(begins + 1, end):
            if _is_row(lines[line - 1], separator, usual):
                raise Refused(
                    f"The quotation mark opened in line {begins} runs on over line {line}, which "
                    "looks like a row: close it or delete it, and send the file again."
                )


def _is_row(line: str, separator: str, width: int) -> bool:
    """Whether a line has as many cells as usual, and no mark in it closes what was opened above."""
    before, mark, _ = line.partition('"')
    if width < 2 or (mark and before and not before.endswith(separator)):
        return False
    if line.count('"') % 2:
        return line.count(separator) + 1 == width
    return len(next(csv.reader([line], delimiter=separator), [])) == width
