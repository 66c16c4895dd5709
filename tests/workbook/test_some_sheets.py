"""A book of some sheets alone, as somebody sends it who has only these to tell of."""

import re
from datetime import date
from pathlib import Path
from zipfile import ZipFile

import pytest

from fleet.vehicles.models import Depot, Vehicle
from fleet.workbook import load as of_file
from fleet.workbook.sheets import SHEETS
from fleet.workbook.write import READ_ME, write_cells, write_some
from tests.workbook.small import NOW, grids, small_workbook, vehicle


def cells(sheets: object) -> dict[str, list[list[object]]]:
    return {name: rows[1:] for name, rows in grids(sheets).items()}  # type: ignore[arg-type]


def named(path: Path) -> list[str]:
    with ZipFile(path) as parts:
        return re.findall(r'<sheet name="([^"]+)"', parts.read("xl/workbook.xml").decode())


def page(path: Path, sheet: str) -> str:
    with ZipFile(path) as parts:
        place = named(path).index(sheet) + 1
        return parts.read(f"xl/worksheets/sheet{place}.xml").decode()


def offered(path: Path, sheet: str) -> set[str]:
    """The sheets from which the columns of a sheet may be chosen."""
    return set(re.findall(r"<formula1>'([^']+)'!", page(path, sheet)))


def test_it_has_these_sheets_only_and_offers_nothing_of_others(tmp_path: Path) -> None:
    given = cells({"Depots": small_workbook()["Depots"], "Vehicles": [vehicle("7")]})
    some, whole = tmp_path / "some.xlsx", tmp_path / "whole.xlsx"
    write_some(some, given)
    write_cells(whole, given)
    assert named(some) == [READ_ME, "Depots", "Vehicles"]
    assert len(named(whole)) == 1 + len(SHEETS)
    links = re.findall(r'location="\'([^\']+)\'', page(some, READ_ME))
    assert links == ["Depots", "Vehicles"]
    assert offered(some, "Vehicles") == {"Depots"}
    assert offered(whole, "Vehicles") == {"Depots", "Vehicle types"}


@pytest.mark.django_db
def test_it_says_nothing_of_what_stands_on_the_others(tmp_path: Path) -> None:
    path = tmp_path / "some.xlsx"
    write_some(path, cells(small_workbook()))
    of_file.load(path, now=NOW)
    later = vehicle("78", **{"Joined on": date(2024, 2, 5), "In service on": date(2024, 2, 5)})
    write_some(path, cells({"Vehicles": [later]}))
    done = of_file.load(path, now=NOW)
    assert Vehicle.objects.filter(fleet_number="78").exists()
    assert Depot.objects.exists()
    told = {name for name, count in done.counts.items() if count.lacking}
    assert told == {"Vehicles"}  # of depots and the rest, which stand on no sheet, nothing
