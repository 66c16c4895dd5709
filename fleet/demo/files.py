"""The notes as spreadsheets, as each depot of the demo sends them."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import xlsxwriter

from fleet.demo.logbooks import Entry

LOG_D = 425  # about 14 months; what is older was sent by the fuel stations
PIECES = {
    "zarrovend-plain": 5,
    "ulmesqua-coast": 5,
    "brethkamm-hill": 8,
}  # files in 14 months, and one of the newest days
NEWEST_D = 9  # that this morning's sheet tells of
OVERLAP_D = 21  # the wide sheet repeats its last weeks in the next one


@dataclass(frozen=True)
class File:
    name: str
    until: date
    content: bytes


def files(entries: Sequence[Entry], today: date) -> list[File]:
    """Every file of every depot of 14 months, in the order in which they were sent."""
    writers = {
        "zarrovend-plain": _long_sheet,
        "ulmesqua-coast": _wide_sheet,
        "brethkamm-hill": _csv,
    }
    sent = []
    for depot, write in writers.items():
        own = [entry for entry in entries if entry.depot == depot]
        for begin, end in _windows(PIECES[depot], today):
            start = begin - timedelta(days=OVERLAP_D) if depot == "ulmesqua-coast" else begin
            part = [entry for entry in own if start <= entry.day < end]
            suffix = "csv" if depot == "brethkamm-hill" else "xlsx"
            last = end - timedelta(days=1)
            sent.append(File(f"{depot}-to-{last:%Y-%m-%d}.{suffix}", end, write(part)))
    return sorted(sent, key=lambda file: (file.until, file.name))


def first_day(today: date) -> date:
    """The first day that the files tell of."""
    return today - timedelta(days=LOG_D + 7)


def _windows(pieces: int, today: date) -> Iterator[tuple[date, date]]:
    """The last one is short: what came before it came some days ago."""
    first = first_day(today)
    edges = [first + timedelta(days=(LOG_D + 7) * piece // pieces) for piece in range(pieces)]
    edges.append(today - timedelta(days=NEWEST_D))
    yield from zip(edges, [*edges[1:], today + timedelta(days=1)], strict=True)


def _figure(shown: str) -> Any:
    return float(shown) if shown.isdigit() else shown


def _spreadsheet(sheet: str, headings: Sequence[Any], rows: Sequence[Sequence[Any]]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as workbook:
        page = workbook.add_worksheet(sheet)
        day = workbook.add_format({"num_format": "yyyy-mm-dd"})
        for number, row in enumerate([headings, *rows]):
            for place, cell in enumerate(row):
                if isinstance(cell, date):
                    page.write_datetime(number, place, cell, day)
                elif cell not in ("", None):
                    page.write(number, place, cell)
    return out.getvalue()


def _long_sheet(entries: Sequence[Entry]) -> bytes:
    """A row per refuelling; fleet numbers typed as numbers, and a van nobody knows."""
    headings = ["Van no", "Date", "Time", "Odometer [km]", "Engine hours", "Note"]
    rows = [
        [float(e.number), e.day, f"{e.clock:%H:%M}", _figure(e.shown), e.hours, e.note]
        for e in sorted(entries, key=lambda e: (e.day, e.clock, e.number))
    ]
    if entries:
        rows.append([9107.0, entries[-1].day, "17:05", 48_210.0, None, "hired for a day"])
    return _spreadsheet("Fuel log", headings, rows)


def _wide_sheet(entries: Sequence[Entry]) -> bytes:
    """A row per van, a column per Friday; nobody wrote what is blank."""
    days = sorted({entry.day for entry in entries if entry.day.weekday() == 4})
    noted = {(entry.number, entry.day): entry.shown for entry in entries}
    rows = [
        [number, *[_figure(noted.get((number, day), "")) for day in days]]
        for number in sorted({entry.number for entry in entries})
    ]
    return _spreadsheet("Fridays", ["Vehicle", *days], rows)


def _csv(entries: Sequence[Entry]) -> bytes:
    """Text with semicolons, days first, blanks between thousands."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    writer.writerow(["Fleet number", "Date", "Odometer", "Engine hours", "Remarks"])
    for e in sorted(entries, key=lambda e: (e.day, e.number)):
        shown = f"{int(e.shown):,}".replace(",", " ") if e.shown.isdigit() else e.shown
        hours = "" if e.hours is None else f"{e.hours:.1f}".replace(".", ",")
        writer.writerow([e.number, f"{e.day:%d.%m.%Y}", shown, hours, e.note])
    return out.getvalue().encode()
