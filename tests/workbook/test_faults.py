"""What is wrong in a book is named with place and remedy, everything at once."""

from datetime import date
from typing import Any

import pytest

from fleet.readings.spreadsheet import ERROR_VALUE, WITHOUT_VALUE
from fleet.workbook.sheets import SHEETS
from tests.workbook.small import (
    NOW,
    faults_of,
    grids,
    load_cells,
    load_small,
    small_workbook,
    vehicle,
    without,
)

pytestmark = pytest.mark.django_db

# One fault in each sheet: heading, wrong cell, what the sentence must contain.
DROPPED: dict[str, tuple[str, Any, str]] = {
    "Depots": ("Time zone", "Mars/Olympus", "'Mars/Olympus' is no IANA time zone"),
    "Closures": ("Closed on", "3/4/2026", "'3/4/2026' can mean two dates"),
    "Climate": ("Month", 13, "'13' must be at least 1 and at most 12"),
    "Vehicle types": ("Powertrain", "steam", "'steam' is not one of: diesel, petrol"),
    "Compartments": ("Service refill [L]", 0, "'0' must be above 0"),
    "Specifications": ("Source", "  ", "is empty; it must be filled in"),
    "Products": ("Product", "Oil Ä!", "write e.g. oil-a"),
    "Product claims": ("Specification", "gl-5", "'gl-5' is not in sheet Specifications"),
    "Accepted fluids": ("Compartment", "axle", "van has no compartment 'axle'"),
    "Items": ("Draw", "bulk", "a hygroscopic fluid is drawn in whole packs per job"),
    "Packs": ("Price", "cheap", "'cheap' is not a number; write e.g. 12.50"),
    "Stock": ("Service level", 1.5, "'1.5' must be at least 0.5 and at most 0.999"),
    "Services": ("Early share", 1.5, "'1.5' must be at least 0 and at most 1"),
    "Limits": ("Interval [km]", "sixty", "'sixty' is not a number; write e.g. 60000"),
    "Cautions": ("Raised by", "crane", "'crane' is not one of: lift, jack and stands"),
    "Procedures": ("Family", "magic", "'magic' is not one of: level plug, engine oil"),
    "Steps": ("Step", 0, "'0' must be at least 1"),
    "Fasteners": ("Torque unit", "J", "a joule is energy"),
    "Tools": ("Service", "oil", "van has no service 'oil' in sheet Procedures"),
    "Materials": ("Pieces", "", "give a quantity of a fluid, or pieces of anything else"),
    "Check figures": ("Watch to", 1, "1 lies inside what passes; write it further out"),
    "Re-checks": ("Within [days]", "", "say when: at the latest by km, days or minutes"),
    "Wrenches": ("Calibrated until", "soon", "'soon' is not a date"),
    "Duty criteria": ("Monthly conditions", "heat > 38", "'heat' is not one of: declared"),
    "Vehicles": ("In service on", "", "it joined new, so its first day of use is needed"),
    "Meter changes": ("Meter", "hours", "the vehicle has no hour meter"),
    "Service history": ("Done on", date(2026, 9, 1), "2026-09-01 lies in the future"),
    "Fills": ("Product", "", "a fill with a product names it"),
    "Usage sheets": ("Trips under 8 km", 41, "41 is more than 40 in 'Trips'"),
    "Workshops": ("Kept share", 1, "'1' must be at least 0 and at most 0.95"),
    "Bays": ("Length [m]", 0.2, "'0.2' must be at least 0.5 and at most 60"),
    "Mechanics": ("Works on", "Mon Xyz", "Xyz"),
    "Mechanics away": ("From", "3/4/2026", "'3/4/2026' can mean two dates"),
    "Vehicles away": ("Until", "soon", "'soon' is not a date"),
    "Blocked days": ("Reason", "", "is empty; it must be filled in"),
    "Spared types": ("Vehicles a day", -1, "'-1' must be at least 0 and at most 10000"),
    "Service needs": ("Service", "oil", "van has no service 'oil'"),
    "Other work": ("Minutes", 0, "'0' must be at least 1"),
}


def test_a_fault_in_every_sheet_is_reported_at_once() -> None:
    sheets = small_workbook()
    for sheet, (heading, cell, _) in DROPPED.items():
        sheets[sheet][0][heading] = cell
    faults = faults_of(sheets)
    assert set(DROPPED) == {sheet.name for sheet in SHEETS} - {"Depot stays"}
    for sheet, (heading, _, sentence) in DROPPED.items():
        place = f"{sheet}, row 2, column '{heading}': "
        assert any(f.startswith(place) and sentence in f for f in faults), (sheet, faults)


@pytest.mark.parametrize(("sheet", "dropped"), DROPPED.items())
def test_one_fault_alone_is_reported_alone(sheet: str, dropped: tuple[str, Any, str]) -> None:
    sheets = small_workbook()
    if sheet == "Products":  # its name is the fault, so rows that lead to it have one too
        del sheets["Product claims"], sheets["Fills"]
    sheets[sheet][0][dropped[0]] = dropped[1]
    assert len(faults_of(sheets)) == 1


def test_a_missing_heading_is_named() -> None:
    cells = grids(small_workbook())
    cells["Limits"][0][cells["Limits"][0].index("Interval [km]")] = "Interval"
    (fault,) = [fault for fault in faults_of(cells) if "heading" in fault]
    expected = "this heading is missing; add the column"
    assert fault == f"Limits, row 1, column 'Interval [km]': {expected}."


@pytest.mark.parametrize("heading", ["Name", "Compartment"])
def test_a_missing_heading_makes_no_other_sheet_wrong(heading: str) -> None:
    cells = grids(small_workbook())
    without(cells, "Compartments", heading)
    (fault,) = faults_of(cells)
    assert f"'{heading}': this heading is missing" in fault


def test_a_missing_heading_hides_no_other_fault() -> None:
    cells = grids(small_workbook())
    without(cells, "Vehicles", "Vehicle type")
    cells["Vehicles"][1][cells["Vehicles"][0].index("Joined on")] = "soon"
    assert len(faults_of(cells)) == 2


@pytest.mark.parametrize(
    ("sheet", "heading"), [("Vehicles", "Unit"), ("Fasteners", "Torque unit"), ("Tools", "Size")]
)
def test_a_unit_or_part_of_the_key_cannot_be_left_out(sheet: str, heading: str) -> None:
    cells = grids(small_workbook())
    without(cells, sheet, heading)
    (fault,) = faults_of(cells)
    assert f"'{heading}': this heading is missing" in fault


def test_a_doubled_heading_is_named() -> None:
    cells = grids(small_workbook())
    for row in cells["Vehicles"]:
        row.append("vin" if row is cells["Vehicles"][0] else "")
    assert "Vehicles, row 1, column 'VIN': this heading stands twice; keep one." in faults_of(cells)


def test_unknown_sheets_and_columns_are_warned_about() -> None:
    cells = grids(small_workbook())
    cells["Depots"][0].append("Colour")
    cells["Depots"][1].append("blue")
    cells["Holidays"] = [["Day"]]
    loaded = load_cells(cells, now=NOW)
    assert [str(warning) for warning in loaded.warnings] == [
        "Holidays: this sheet is not known and was left out.",
        "Depots, row 1, column 'Colour': this column is not known and was left out.",
    ]


def test_a_book_of_something_else_is_refused() -> None:
    (fault,) = faults_of({"Table 1": [["a", "b"], [1, 2]]})
    assert fault.startswith("Workbook: it has no sheet of a fleet workbook; those are: Depots,")


def test_a_fleet_number_that_no_address_can_hold_is_refused_with_a_remedy() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("V/2"))
    (fault,) = faults_of(sheets)
    assert fault == (
        "Vehicles, row 3, column 'Fleet number': 'V/2': "
        "a fleet number holds no slash: write a hyphen."
    )


def test_a_fluid_that_the_compartment_does_not_accept_is_never_planned() -> None:
    sheets = small_workbook()
    wrong = {"Product": "axle-oil", "Name": "Axle oil", "Grade": "85W-140", "Source": "invented"}
    sheets["Products"].append(wrong)
    sheets["Items"].append(sheets["Items"][0] | {"Item": "axle-oil", "Product": "axle-oil"})
    sheets["Materials"].append(
        sheets["Materials"][0]
        | {"Kind": "fluid", "Name": "Oil", "Fastener": "", "Pieces": None, "Quantity [L]": 1.5}
        | {"Item": "axle-oil"}
    )
    (fault,) = faults_of(sheets)
    assert fault.startswith(
        "Materials, row 3, column 'Item': 'axle-oil' claims nothing that the gearbox accepts"
    )


def test_the_same_row_twice_is_refused() -> None:
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("v-1"))
    assert "Vehicles, row 3, column 'Fleet number': v-1: the same as row 2; keep one of them." in (
        faults_of(sheets)
    )


@pytest.mark.any_database  # a cell is read before any row is looked at
@pytest.mark.parametrize(
    ("cell", "sentence"),
    [
        ("1,234", "“1,234” can mean 1.234 or 1234"),
        ("60000 mi", "'60000 mi' is not in km; write e.g. 60000"),
        (-5, "'-5' must be at least 1 and at most 1000000000"),
        (1e12, "must be at least 1 and at most 1000000000"),
        (float("nan"), "'nan' is not a finite number"),
        (True, "not a number; write e.g. 60000"),
        (date(2026, 1, 1), "'2026-01-01' is a date"),
        (WITHOUT_VALUE, "holds a formula without a value; put the value itself there"),
        (ERROR_VALUE, "holds a formula with an error; put the value itself there"),
    ],
)
def test_what_is_no_distance_is_refused(cell: Any, sentence: str) -> None:
    sheets = small_workbook()
    sheets["Limits"][0]["Interval [km]"] = cell
    (fault,) = faults_of(sheets)
    assert fault.startswith("Limits, row 2, column 'Interval [km]': ")
    assert sentence in fault


@pytest.mark.any_database  # a cell is read before any row is looked at
@pytest.mark.parametrize("cell", [60000.0, "60 000", "60 000 km", "60000,0", "60'000"])
def test_numbers_as_people_type_them_are_read(cell: Any) -> None:
    sheets = small_workbook()
    sheets["Limits"][1]["Interval [km]"] = cell
    load_small(sheets)
    assert load_small(small_workbook()).changes == 0


@pytest.mark.parametrize(
    ("sheet", "row", "changes", "sentence"),
    [
        ("Limits", 1, {"Interval [km]": 100_000}, "severe interval 100000 is longer"),
        ("Limits", 0, {"Interval [h]": 900}, "has no expected engine hours"),
        ("Vehicles", 0, {"VIN": "1M8GDM9AXKP042789"}, "ninth character should be"),
        ("Products", 0, {"Grade": "80W"}, "claims nothing that the gearbox accepts (gl-4)"),
        ("Service history", 0, {"Done on": "2022-05-05"}, "before the vehicle was in service"),
    ],
)
def test_what_is_doubtful_is_loaded_with_a_warning(
    sheet: str, row: int, changes: dict[str, Any], sentence: str
) -> None:
    sheets = small_workbook()
    sheets[sheet][row] |= changes
    (warning,) = load_small(sheets).warnings
    assert sentence in str(warning)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"Interval [km]": "", "Interval [months]": ""}, "the row has no limit"),
        ({"Yearly by day": 1}, "needs both day and month"),
        ({"Yearly by day": 31, "Yearly by month": 2}, "day 31 is not in month 2"),
    ],
)
def test_a_limit_without_sense_is_refused(changes: dict[str, Any], sentence: str) -> None:
    sheets = small_workbook()
    sheets["Limits"][0] |= changes
    (fault,) = faults_of(sheets)
    assert sentence in fault


def test_a_figure_that_follows_the_frost_states_a_limit_for_unknown_climates() -> None:
    sheets = small_workbook()
    sheets["Check figures"][0] |= {
        "Pass from": -40,
        "Pass to": "",
        "Watch to": "",
        "Follows the frost": "yes",
    }
    (fault,) = faults_of(sheets)
    assert fault.startswith("Check figures, row 2, column 'Pass to': a figure that follows the")
