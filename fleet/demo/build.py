"""Build the demo: the workbook, the people, the uploads. Each step may be run again."""

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.conf import settings

from fleet import chain
from fleet.demo.drive import Drive, drive
from fleet.demo.files import files
from fleet.demo.fixtures import Line, lines, words
from fleet.demo.history import Records
from fleet.demo.logbooks import noted
from fleet.demo.orders import add_work
from fleet.demo.shelves import fill_shelves, go_on
from fleet.demo.trial import add_trial
from fleet.demo.workshops import open_workshops, plan_workshop_days
from fleet.people.models import Person
from fleet.readings import intake
from fleet.today import NO_DEPOT, newest_day, today_at
from fleet.vehicles.models import Depot, Vehicle
from fleet.workbook.cells import Cell
from fleet.workbook.columns import Sheet
from fleet.workbook.load import load
from fleet.workbook.sheets import SHEETS
from fleet.workbook.write import write_cells

Progress = Callable[[float, str], None]

FILES = {"Duty criteria": "criteria"}  # other sheets: the sheet's name with hyphens
GENERATED = ("Meter changes", "Service history", "Fills", "Usage sheets")
TABLES = ("services", "limits", "compartments", "products", "usage-habits")
MARK = "demo"  # a file of that name marks a data folder as a demo


def is_loaded() -> bool:
    """Whether this data folder holds the demo, complete."""
    mark = settings.DATA_DIR / MARK
    return mark.exists() and mark.read_text(encoding="utf-8").startswith("complete")


def belongs_to_others() -> bool:
    """Whether there is a fleet here that is no demo."""
    return not (settings.DATA_DIR / MARK).exists() and Vehicle.objects.exists()


def build(now: datetime, progress: Progress) -> None:
    """Load the demo of a day into an empty (or half-built) data folder."""
    mark = settings.DATA_DIR / MARK
    today = begun(mark, today_at_depots(now))
    progress(0.0, "driving 48 vans for some years")
    vans = drives(today)
    with TemporaryDirectory(prefix="sumpwise-") as folder:
        path = Path(folder) / "demo-fleet.xlsx"
        progress(0.05, "writing the fleet workbook")
        build_demo_workbook(path, today, vans)
        progress(0.1, "loading the fleet workbook")
        load(path, now=now, reason="demo fleet")
    add_people(today)
    send_odometers(vans, today, lambda share, text: progress(0.2 + 0.7 * share, text))
    progress(0.9, "working orders off")
    fill_shelves(now, today)
    add_work(vans, now, today)
    progress(0.97, "running a field trial")
    add_trial(vans, now, today)
    go_on(now, today)
    progress(0.99, "planning workshop days")
    open_workshops(today)
    plan_workshop_days(today)
    mark.write_text(f"complete {today}\nAll names and figures here are invented.\n")


def today_at_depots(now: datetime) -> date:
    """The day it is at the depots; around midnight, where it comes first."""
    zones = {row["Time zone"] for row in lines("depots", today_at(NO_DEPOT, now))}
    return newest_day(zones, now)


def begun(mark: Path, today: date) -> date:
    """The day the demo is about: an interrupted one goes on with the day it began with."""
    if mark.exists():
        return date.fromisoformat(mark.read_text(encoding="utf-8").split()[1])
    mark.write_text(f"begun {today}\n")
    return today


def drives(today: date) -> list[Drive]:
    return [drive(van, today) for van in lines("vehicles", today)]


def build_demo_workbook(path: Path, today: date, vans: list[Drive] | None = None) -> None:
    """Write the demo fleet as a fleet workbook."""
    driven = vans or drives(today)
    fixed = {sheet.name: _fixed(sheet, today) for sheet in SHEETS if sheet.name not in GENERATED}
    _complete_vehicles(fixed, driven)
    records = Records({name: lines(name, today) for name in TABLES}, today)
    done = {van.number: list(records.done(van)) for van in driven}
    rows: dict[str, list[dict[str, Any]]] = {
        "Service history": [row for van in driven for row in done[van.number]],
        "Fills": [row for van in driven for row in records.fills(van, done[van.number])],
        "Usage sheets": [row for van in driven for row in records.usage(van)],
    }
    cells = {**fixed, **rows}
    write_cells(
        path,
        {
            sheet.name: [
                [_cell(row, sheet, at) for at in range(len(sheet.columns))] for row in found
            ]
            for sheet in SHEETS
            for found in [cells.get(sheet.name, [])]
        },
    )


def _fixed(sheet: Sheet, today: date) -> list[dict[str, Any]]:
    name = FILES.get(sheet.name, sheet.name.lower().replace(" ", "-"))
    found: list[Line] = lines(name, today)
    return [dict(row) for row in found]


def _complete_vehicles(fixed: dict[str, list[dict[str, Any]]], vans: list[Drive]) -> None:
    """Figures and days that follow from how a van was driven."""
    by_number = {van.number: van for van in vans}
    for row in fixed["Vehicles"]:
        if row["Odometer at joining"] == "path":
            joined = date.fromisoformat(row["Joined on"])
            row["Odometer at joining"] = str(round(by_number[row["Fleet number"]].at(joined)))
    for row in fixed["Depot stays"]:
        if row["From"] == "in service":
            row["From"] = by_number[row["Fleet number"]].first.isoformat()


def _cell(row: dict[str, Any], sheet: Sheet, at: int) -> Cell:
    """A cell with its right type: text of a fixture becomes a date or a number."""
    column = sheet.columns[at]
    given = row.get(column.heading, row.get(column.name, ""))
    if given == "":
        return ""
    return column.kind.show(column.kind.read(given))


def add_people(today: date) -> None:
    """At least one person for each role; they sign in by links, none has a password."""
    depots = {depot.slug: depot for depot in Depot.objects.all()}
    for row in lines("people", today):
        person, _ = Person.objects.get_or_create(
            username=row["Name"],
            defaults={
                "first_name": row["First name"],
                "last_name": row["Last name"],
                "role": row["Role"],
                "password": "!",  # no password fits
            },
        )
        person.depots.set([depots[slug] for slug in words(row, "Depots")])


def send_odometers(vans: list[Drive], today: date, progress: Progress) -> None:
    """The odometer spreadsheets of 14 months, by the clerk, through the usual way in."""
    clerk = Person.objects.filter(role="clerk").earliest("id")
    sent = files([entry for van in vans for entry in noted(van)], today)
    for done, file in enumerate(sent):
        progress(done / len(sent), f"odometers: {file.name}")
        upload = intake.receive(file.content, file.name, clerk)
        chain.complete_upload(upload.pk)
