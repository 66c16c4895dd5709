"""A small fleet as a workbook of cells; every figure is invented for the tests."""

from collections.abc import Mapping
from copy import deepcopy
from datetime import UTC, date, datetime
from typing import Any

from fleet.workbook import load as of_file
from fleet.workbook.load import Author, Loaded
from fleet.workbook.notes import BookRefused, Notes
from fleet.workbook.read import Grid, tables_of
from fleet.workbook.sheets import BY_NAME

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SOURCE = "invented for the tests"
HALF = "1/2 in square"

Sheets = dict[str, list[dict[str, Any]]]


def vehicle(fleet_number: object, **more: Any) -> dict[str, Any]:
    row = {
        "Fleet number": fleet_number,
        "Vehicle type": "van",
        "Depot": "plain",
        "Joined on": date(2023, 1, 9),
        "New or used": "new",
        "In service on": date(2023, 1, 9),
        "Odometer in service": 12,
    }
    return row | more


_SMALL: Sheets = {
    "Depots": [{"Depot": "plain", "Name": "Plain", "Time zone": "Europe/Madrid", "Source": SOURCE}],
    "Closures": [{"Depot": "plain", "Closed on": date(2026, 5, 1), "Note": "holiday"}],
    "Climate": [
        {
            "Depot": "plain",
            "Month": 7,
            "Mean daily maximum [°C]": 38.5,
            "Mean daily minimum [°C]": 21,
            "Source": SOURCE,
        }
    ],
    "Vehicle types": [
        {
            "Vehicle type": "van",
            "Name": "Van",
            "Powertrain": "diesel",
            "Expected use [km/day]": 90,
            "Most in a day [km/day]": 900,
            "Source": SOURCE,
        }
    ],
    "Compartments": [
        {
            "Vehicle type": "van",
            "Compartment": "gearbox",
            "Kind": "gearbox",
            "Name": "Gearbox",
            "Service refill [L]": 1.5,
            "Source": SOURCE,
        }
    ],
    "Specifications": [{"Specification": "gl-4", "Name": "GL-4", "Source": SOURCE}],
    "Products": [{"Product": "oil-a", "Name": "Oil A", "Grade": "75W-90", "Source": SOURCE}],
    "Product claims": [{"Product": "oil-a", "Specification": "gl-4", "Source": SOURCE}],
    "Accepted fluids": [
        {
            "Vehicle type": "van",
            "Compartment": "gearbox",
            "Specification": "gl-4",
            "Grade": "75W-90",
            "Source": SOURCE,
        }
    ],
    "Items": [
        {
            "Item": "gear-oil",
            "Name": "Gear oil",
            "Kind": "fluid",
            "Unit": "mL",
            "Draw": "whole packs per job",
            "Shelf life [days]": 1825,
            "Hygroscopic": "yes",
            "Source": SOURCE,
        }
    ],
    "Packs": [
        {
            "Item": "gear-oil",
            "Holds [mL or pieces]": 1000,
            "Price": 12.5,
            "Price source": SOURCE,
            "Preferred": "yes",
        }
    ],
    "Stock": [{"Depot": "plain", "Item": "gear-oil", "Lead time [days]": 10}],
    "Services": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Name": "Gearbox oil",
            "Compartment": "gearbox",
            "Kind": "change",
            "Source": SOURCE,
        }
    ],
    "Limits": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Duty class": duty_class,
            "Interval [km]": interval_km,
            "Interval [months]": months,
            "Source": SOURCE,
        }
        for duty_class, interval_km, months in (("normal", 90_000, 60), ("severe", 60_000, 36))
    ],
    "Cautions": [
        {
            "Caution": "raised",
            "Text": "The vehicle can fall.",
            "Under the vehicle": "yes",
            "Raised by": "lift; pit",
            "Source": SOURCE,
        }
    ],
    "Procedures": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Family": "check",
            "Edition": "2024",
            "Labour [min]": 40,
            "Refill [L]": 1.5,
            "Source": SOURCE,
        }
    ],
    "Steps": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Step": 1,
            "Kind": "inspect",
            "Text": "Look at the magnet.",
            "Fastener": "drain-plug",
        }
    ],
    "Fasteners": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Fastener": "drain-plug",
            "Name": "Drain plug",
            "Torque": 29,
            "Torque unit": "lbf·ft",
            "Drive": "17 mm internal hexagon",
            "Seal": "sealing washer",
            "Seal size": "18 × 24 × 1.5 mm",
            "Source": SOURCE,
        }
    ],
    "Tools": [
        {"Vehicle type": "van", "Service": "gearbox-oil", "Tool": name, "Kind": kind} | more
        for name, kind, more in (
            ("Lamp", "lamp", {"Raised by": "lift; pit"}),
            ("Torque wrench", "torque wrench", {"Size": "any range", "Drive": HALF}),
            ("Breaker bar", "ratchet or breaker bar", {"Drive": HALF}),
            ("Bit", "socket or bit", {"Drive": HALF, "Turns": "17 mm internal hexagon"}),
        )
    ],
    "Materials": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Kind": "seal",
            "Name": "Washer",
            "Fastener": "drain-plug",
            "Pieces": 1,
            "Source": SOURCE,
        }
    ],
    "Check figures": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Figure": "filings",
            "Name": "Filings on the magnet",
            "Unit": "mm",
            "Pass to": 2,
            "Watch to": 4,
            "Calls for": "gearbox-oil",
            "Source": SOURCE,
        }
    ],
    "Re-checks": [
        {
            "Vehicle type": "van",
            "Service": "gearbox-oil",
            "Re-check": "plugs",
            "Text": "Both plugs looked at again",
            "Points": "drain plug; fill plug",
            "Within [days]": 14,
            "Labour [min]": 25,
            "Makes due": "gearbox-oil",
            "Source": SOURCE,
        }
    ],
    "Wrenches": [{"Depot": "plain", "Wrench": "TW-1", "Calibrated until": date(2026, 8, 31)}],
    "Duty criteria": [
        {
            "Criterion": "hot",
            "Name": "Hot climate",
            "Compartments": "gearbox",
            "Monthly conditions": "mean_daily_max_c >= 38",
            "Source": SOURCE,
        }
    ],
    "Vehicles": [vehicle("V-1")],
    "Meter changes": [
        {
            "Fleet number": "V-1",
            "From": datetime(2025, 6, 1, 12, 0),  # noqa: DTZ001
            "Offset [km or h]": 50_000,
            "Note": "new instrument",
        }
    ],
    "Service history": [
        {
            "Fleet number": "V-1",
            "Service": "gearbox-oil",
            "Done on": date(2024, 9, 2),
            "Total distance": 31_000,
            "Evidence": "outside workshop",
            "Source": "invoice 7",
        }
    ],
    "Fills": [
        {
            "Fleet number": "V-1",
            "Compartment": "gearbox",
            "Filled on": date(2024, 9, 2),
            "What": "product",
            "Product": "oil-a",
            "Quantity [L]": 1.5,
            "Source": "invoice 7",
        }
    ],
    "Usage sheets": [
        {"Fleet number": "V-1", "Month": "2026-01", "Trips": 40, "Source": "trip log"}
    ],
    "Workshops": [{"Depot": "plain", "Opening [min]": 510, "Visit": 62.5, "Source": SOURCE}],
    "Bays": [
        {"Depot": "plain", "Bay": "Lift 1", "Rated [kg]": 5500, "Height [m]": 3.4, "Source": SOURCE}
    ],
    "Mechanics": [
        {"Depot": "plain", "Mechanic": "Ada", "Works on": "Mon Tue", "Skills": "gas; lift",
         "Source": SOURCE}
    ],
    "Mechanics away": [
        {"Depot": "plain", "Mechanic": "Ada", "From": date(2026, 8, 3), "Until": date(2026, 8, 7),
         "Reason": "leave"}
    ],
    "Blocked days": [
        {"Depot": "plain", "From": date(2026, 9, 7), "Until": date(2026, 9, 11),
         "Reason": "harvest"}
    ],
    "Spared types": [{"Depot": "plain", "Vehicle type": "van", "Vehicles a day": 2}],
    "Service needs": [
        {"Vehicle type": "van", "Service": "gearbox-oil", "Skills": "lift",
         "Second person [min]": 15, "Source": SOURCE}
    ],
    "Vehicles away": [
        {"Fleet number": "V-1", "From": date(2026, 7, 1), "Until": date(2026, 7, 3),
         "Reason": "hired out"}
    ],
    "Other work": [
        {"Fleet number": "V-1", "What": "Belt tensioner", "Number": "R-77", "Kind": "recall",
         "Minutes": 90, "Latest day": date(2026, 8, 31), "Skills": "gas"}
    ],
}  # fmt: skip


OF_THE_VAN = (
    *("Meter changes", "Service history", "Fills", "Usage sheets"),
    *("Vehicles away", "Other work"),
)  # sheets whose rows name it


def small_workbook() -> Sheets:
    """One depot, one type, one van, and at least a row in every sheet; a fresh copy."""
    return deepcopy(_SMALL)


def grids(sheets: Sheets) -> dict[str, list[list[Any]]]:
    """Cells as a spreadsheet holds them: headings in row 1, data from row 2 on."""
    cells = {}
    for name, rows in sheets.items():
        headings = [column.heading for column in BY_NAME[name].columns]
        unknown = {heading for row in rows for heading in row} - set(headings)
        assert not unknown, unknown
        cells[name] = [headings, *[[row.get(heading, "") for heading in headings] for row in rows]]
    return cells


def without(cells: dict[str, list[list[Any]]], sheet: str, heading: str) -> None:
    """Take a column away."""
    at = cells[sheet][0].index(heading)
    for row in cells[sheet]:
        del row[at]


def load_cells(sheets: Mapping[str, Grid], *, now: datetime) -> Loaded:
    """Load a workbook that is given as cells by sheet, without a file around them."""
    notes = Notes()
    tables = tables_of(sheets, of_file._latest_today(now), notes)
    return of_file._load(tables, notes, Author(now, None, "fleet workbook"), of_file.silent)


def load_small(sheets: Sheets, now: datetime = NOW) -> Loaded:
    return load_cells(grids(sheets), now=now)


def faults_of(sheets: Mapping[str, list[list[Any]]] | Sheets) -> list[str]:
    """The sentences with which a book is refused."""
    cells = sheets if all(isinstance(r, list) for rows in sheets.values() for r in rows) else None
    try:
        load_cells(cells or grids(sheets), now=NOW)  # type: ignore[arg-type]
    except BookRefused as refused:
        return [str(fault) for fault in refused.faults]
    return []
