"""The demo fleet as a fleet workbook: all of it as it stood on a day, and what came later."""

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from fleet.demo.drive import OFF_ROAD_D, Drive, drive, further
from fleet.demo.fixtures import lines
from fleet.demo.history import Records
from fleet.workbook.cells import Cell
from fleet.workbook.columns import Sheet
from fleet.workbook.sheets import SHEETS
from fleet.workbook.write import write_some

FILES = {"Duty criteria": "criteria"}  # other sheets: the sheet's name with hyphens
GENERATED = ("Meter changes", "Service history", "Fills", "Usage sheets")
TABLES = ("services", "limits", "compartments", "products", "usage-habits")
OF_WORKSHOPS = (  # which workshops.py opens, from its own files
    *("Workshops", "Bays", "Mechanics", "Mechanics away", "Blocked days", "Spared types"),
    *("Service needs", "Vehicles away", "Other work"),
)
OF_VANS = ("Vehicles", "Depot stays", *GENERATED)

Rows = list[dict[str, Any]]


def drives(today: date, vehicles: int = 0) -> list[Drive]:
    """The vans of the story, and more of the like where more are wanted."""
    vans = lines("vehicles", today)
    return [drive(van, today) for van in vans + further(vans, max(0, vehicles - len(vans)))]


def records_of(since: date, today: date) -> Records:
    return Records({name: lines(name, today) for name in TABLES}, since, today)


def whole(driven: Sequence[Drive], records: Records, day: date) -> dict[str, Rows]:
    """Rows of every sheet as the fleet stood on a day."""
    fixed: dict[str, Rows] = {
        sheet.name: [dict(row) for row in lines(_file(sheet), records.today)]
        for sheet in SHEETS
        if sheet.name not in OF_VANS + OF_WORKSHOPS
    }
    return {**fixed, **of_vans(driven, records, day)}


def of_vans(driven: Iterable[Drive], records: Records, day: date) -> dict[str, Rows]:
    """Rows of the sheets that tell of vans, as they stood on a day."""
    there = [van for van in driven if date.fromisoformat(van.van["Joined on"]) <= day]
    done = {van.number: list(records.done(van)) for van in there}
    return {
        "Vehicles": [as_of(van, day) for van in there],
        "Depot stays": [row for van in there for row in _stays(van, day)],
        "Service history": [row for van in there for row in done[van.number]],
        "Fills": [row for van in there for row in records.fills(van, done[van.number])],
        "Usage sheets": [row for van in there for row in records.usage(van)],
    }


def as_of(van: Drive, day: date) -> dict[str, Any]:
    """A van as it stood on a day: where it was, and how it was used."""
    row: dict[str, Any] = dict(van.van)
    if row["Odometer at joining"] == "path":
        row["Odometer at joining"] = str(round(van.at(date.fromisoformat(row["Joined on"]))))
    if van.story == "off road" and (van.today - day).days > OFF_ROAD_D:
        row |= {"Status": "in use", "Note": ""}
    if van.story == "new round" and van.habit_at(day) != van.depot_at(day):
        row["Declared use"] = ""
    row["Depot"] = van.depot_at(day)
    return row


def _stays(van: Drive, day: date) -> Iterable[dict[str, str]]:
    for row in lines("depot-stays", van.today):
        start = van.first.isoformat() if row["From"] == "in service" else row["From"]
        if row["Fleet number"] == van.number and date.fromisoformat(start) <= day:
            yield {**row, "From": start}


def write_workbook(path: Path, rows: dict[str, Rows]) -> None:
    """Write the sheets there are rows of."""
    write_some(
        path,
        {
            sheet.name: [
                [_cell(row, sheet, at) for at in range(len(sheet.columns))]
                for row in rows[sheet.name]
            ]
            for sheet in SHEETS
            if sheet.name in rows
        },
    )


def _file(sheet: Sheet) -> str:
    return FILES.get(sheet.name, sheet.name.lower().replace(" ", "-"))


def _cell(row: dict[str, Any], sheet: Sheet, at: int) -> Cell:
    """A cell with its right type: text of a fixture becomes a date or a number."""
    column = sheet.columns[at]
    given = row.get(column.heading, row.get(column.name, ""))
    if given == "":
        return ""
    return column.kind.show(column.kind.read(given))
