"""What the book says of the services of the large fleet: for each the procedure that the demo has
of the like, with what procedures speak of."""

from datetime import date
from typing import Any

from fleet.demo.fixtures import lines
from fleet.due.models import Service
from fleet.stores.models import Specification
from fleet.workbook.notes import Notes
from fleet.workbook.read import tables_of
from fleet.workbook.sheets import BY_NAME
from fleet.workorders.models import Material, Procedure

LIKE = {  # a service of the large fleet: one of the demo
    "engine": "engine-oil",
    "gearbox": "gearbox-oil",
    "final-drive": "axle-oil",
    "cooling": "coolant",
    "brake": "brake-fluid",
    "power-steering": "steering-fluid",
}
TYPE = "pv-xl"  # of the demo, which has all of them
Row = dict[str, Any]  # by the names of columns
PARTS = ("Steps", "Fasteners", "Tools", "Materials")


def write(on: date) -> None:
    """Enter a procedure for every service there is, and all that procedures speak of."""
    for name in ("Specifications", "Cautions"):
        for _, fields in _rows(name, on):
            BY_NAME[name].model._default_manager.create(**fields)
    specifications = {row.slug: row for row in Specification.objects.all()}
    procedures = {row["service"]: fields for row, fields in _rows("Procedures", on) if _like(row)}
    parts = [(name, *found) for name in PARTS for found in _rows(name, on) if _like(found[0])]
    for service in Service.objects.order_by("pk"):
        own = LIKE[service.slug]
        procedure = Procedure.objects.create(service=service, **procedures[own])
        for name, row, fields in parts:
            if row["service"] == own:
                part = BY_NAME[name].model(procedure=procedure, **fields)
                if isinstance(part, Material):
                    part.specification = specifications.get(row["specification"])
                part.save()


def _like(row: Row) -> bool:
    return row["vehicle_type"] == TYPE


def _rows(name: str, on: date) -> list[tuple[Row, Row]]:
    """What the demo has in a sheet: each row by its columns, and what is stored of it."""
    given, sheet, notes = lines(name.lower(), on), BY_NAME[name], Notes()
    grid = [[*given[0]], *([*row.values()] for row in given)]
    rows = [sheet.as_stored(row) for row in tables_of({name: grid}, on, notes)[name].rows]
    assert not notes.faults, notes.faults
    names = [column.name for column in sheet.columns]
    stored = [names[at] for at in sheet.stored]
    named = [dict(zip(names, row, strict=True)) for row in rows]
    return [(row, {name: row[name] for name in stored}) for row in named]
