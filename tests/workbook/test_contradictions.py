"""A fleet with contradictions of twelve kinds: each is named at its place, with its figures."""

from datetime import date
from typing import Any

import pytest

from fleet.readings.sheets import open_sheets
from fleet.readings.spreadsheet import SpreadsheetFault
from fleet.vehicles.models import Vehicle
from fleet.workbook.notes import BookRefused
from fleet.workbook.write import write_template
from tests.workbook.small import OF_THE_VAN, SOURCE, Sheets, load_small, small_workbook

pytestmark = pytest.mark.django_db


def used(number: int, **more: Any) -> dict[str, Any]:
    """A van that came used in 2024 with 40,285 km on it."""
    return {
        "Fleet number": f"Q-{number:02}",
        "Vehicle type": "van",
        "Depot": "plain",
        "Joined on": date(2024, 3, number),
        "In service on": date(2021, 5, number),
        "Odometer in service": 10,
        "Odometer at joining": 40_285,
    } | more


def done(number: int, **more: Any) -> dict[str, Any]:
    return {
        "Fleet number": f"Q-{number:02}",
        "Service": "gearbox-oil",
        "Done on": date(2024, 1, 10),
        "Total distance": 38_000,
        "Evidence": "baseline",
        "Source": "service book",
    } | more


def fifteen() -> Sheets:
    """Fifteen vans, without a contradiction."""
    sheets = small_workbook()
    for sheet in OF_THE_VAN:
        del sheets[sheet]
    sheets["Vehicles"] = [used(number) for number in range(1, 16)]
    sheets["Service history"] = [done(number) for number in (1, 8, 9, 10, 14)]
    sheets["Usage sheets"] = [
        {"Fleet number": "Q-01", "Month": "2026-01", "Trips": 40, "Trips under 8 km": 15}
        | {"Source": SOURCE}
    ]
    return sheets


# sheet, row of the sheet, heading, what is typed there, what is said of it
PLANTED: tuple[tuple[str, int, str, Any, str], ...] = (
    ("Climate", 2, "Mean daily minimum [°C]", 45, ""),  # told at the maximum, see below
    ("Vehicles", 3, "Odometer in service", 41_000, ""),  # told at joining, see below
    ("Vehicles", 5, "Depot", "plane", "'plane' is not in sheet Depots"),
    ("Vehicles", 7, "Fleet number", "q-05", "q-05: the same as row 6; keep one of them"),
    ("Vehicles", 8, "In service on", date(2024, 6, 1), "2024-06-01 is after it joined used"),
    ("Vehicles", 14, "Joined on", date(2027, 3, 1), "2027-03-01 lies in the future"),
    ("Vehicles", 4, "In service on", "", "it joined new, so its first day of use is needed"),
    ("Service history", 3, "Total distance", 390_000, "does not go with 10 km on 2021-05-08 and"),
    ("Service history", 4, "Service", "axle-oil", "van has no service 'axle-oil'"),
    ("Service history", 5, "Fleet number", "Q-99", "'Q-99' is not in sheet Vehicles"),
    ("Service history", 6, "Done on", "3/4/2024", "'3/4/2024' can mean two dates"),
    ("Usage sheets", 2, "Trips under 8 km", 55, "55 is more than 40 in 'Trips'; correct one"),
)  # fmt: skip
TOLD_ELSEWHERE = {
    ("Climate", 2): ("Mean daily maximum [°C]", "38.5 °C is below the minimum of 45 °C"),
    ("Vehicles", 3): ("Odometer at joining", "40,285 km is less than the 41,000 km in service"),
}


def refused(sheets: Sheets) -> BookRefused:
    with pytest.raises(BookRefused) as caught:
        load_small(sheets)
    return caught.value


def test_each_contradiction_is_named_at_its_place_and_nothing_else_is() -> None:
    sheets = fifteen()
    sheets["Vehicles"][2]["New or used"] = "new"
    for sheet, row, heading, cell, _ in PLANTED:
        sheets[sheet][row - 2][heading] = cell
    faults = {(note.sheet, note.row): note for note in refused(sheets).faults}
    assert faults.keys() == {(sheet, row) for sheet, row, *_ in PLANTED}
    for sheet, row, heading, _, said in PLANTED:
        place, words = TOLD_ELSEWHERE.get((sheet, row), (heading, said))
        note = faults[sheet, row]
        assert (note.heading, words in note.message) == (place, True), note
    assert not Vehicle.objects.exists()


def test_put_right_it_loads() -> None:
    assert load_small(fifteen()).warnings == ()
    assert Vehicle.objects.count() == 15


def test_what_is_only_doubtful_is_named_beside_the_faults() -> None:
    sheets = fifteen()
    sheets["Limits"][1]["Interval [km]"] = 180_000
    sheets["Vehicles"][4]["Depot"] = "plane"
    lines = str(refused(sheets)).splitlines()
    assert lines[0] == "Nothing was loaded: 1 fault in the workbook."
    assert lines[2:] == [
        "Look at 1 doubtful place besides:",
        "  Limits, row 3, column 'Interval [km]': the severe interval 180000 is longer than the "
        "normal 90000.",
    ]


def test_a_fleet_workbook_sent_as_readings_is_told_where_it_belongs(tmp_path: Any) -> None:
    write_template(tmp_path / "book.xlsx")
    with pytest.raises(SpreadsheetFault) as fault, open_sheets(tmp_path / "book.xlsx"):
        pass
    assert str(fault.value) == (
        "This is a fleet workbook, not a sheet of readings: load it with sumpwise fleet load "
        "FILE.xlsx."
    )
