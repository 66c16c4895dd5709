"""Sheets on vehicles: the vehicles, where they were based, meters that were replaced."""

from fleet.vehicles.models import ADDRESSABLE, DepotStay, Meter, MeterChange, Vehicle
from fleet.workbook.cells import (
    DATE,
    INSTANT,
    LONG_TEXT,
    SLUG,
    TEXT,
    Cell,
    CellFault,
    Kind,
    choice_of,
    list_of,
    number_of,
    say,
    slug,
    text,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import DEPOT_LINK
from fleet.workbook.type_sheets import TYPE_LINK

DISTANCE = number_of("", "12500")
UNIT = Column(
    "unit",
    "Unit",
    choice_of(("km", "mi")),
    "Unit of the distances in this row; km if empty.",
    path="",
    default="km",
)


def _fleet_number(cell: Cell) -> str:
    given = text(cell)
    if "/" in given:
        raise CellFault(f"{say(cell)}: {ADDRESSABLE.message}")
    return given


FLEET_NUMBER = Kind(_fleet_number, width=20, empty="", tidy=text)
VEHICLES = Sheet(
    "Vehicles",
    Vehicle,
    "One row per vehicle.",
    (
        Column(
            "fleet_number",
            "Fleet number",
            FLEET_NUMBER,
            "What everybody calls it; addresses the vehicle everywhere.",
            required=True,
            key=True,
        ),
        Column("registration", "Registration", TEXT, "Licence plate."),
        Column("vin", "VIN", TEXT, "17 characters; a doubtful one is warned about."),
        Column(
            "vehicle_type",
            "Vehicle type",
            SLUG,
            "As named in sheet Vehicle types.",
            required=True,
            path="vehicle_type__slug",
            refers="Vehicle types",
        ),
        Column(
            "depot",
            "Depot",
            SLUG,
            "Where it is based now. A move is a row in sheet Depot stays.",
            required=True,
            path="depot__slug",
            refers="Depots",
        ),
        Column(
            "status",
            "Status",
            choice_of(Vehicle.Status.values),
            "in use if empty.",
            default=Vehicle.Status.IN_USE.value,
        ),
        Column(
            "declared_use",
            "Declared use",
            list_of(slug),
            "Duty criteria that apply where nothing is measured; several with ; between.",
            refers="Duty criteria",
        ),
        Column(
            "joined_on", "Joined on", DATE, "Day it came to this fleet.", required=True, past=True
        ),
        Column(
            "joined_as",
            "New or used",
            choice_of(Vehicle.JoinedAs.values),
            "used if empty: its history before is then asked for.",
            default=Vehicle.JoinedAs.USED.value,
        ),
        Column(
            "in_service_on",
            "In service on",
            DATE,
            "First day of use anywhere; needed when it joined new.",
            past=True,
        ),
        Column("in_service_km", "Odometer in service", DISTANCE, "On that day.", unit_in="unit"),
        Column(
            "meter_at_joining_km",
            "Odometer at joining",
            DISTANCE,
            "On the day it joined.",
            unit_in="unit",
        ),
        UNIT,
        Column(
            "shows",
            "Odometer shows",
            choice_of(("km", "mi")),
            "What the instrument counts in; km if empty.",
            path="",
            default="km",
        ),
        Column("under_warranty_until_on", "Warranty until", DATE, "Last day."),
        Column("note", "Note", LONG_TEXT, "Anything worth knowing."),
        Column(
            "aliases",
            "Previous fleet numbers",
            list_of(text),
            "Numbers it used to carry, with ; between. To renumber, put the old number here; none "
            "if you are asked and it never had another.",
            path="",
        ),
    ),
    links=(TYPE_LINK, DEPOT_LINK),
)

VEHICLE_REF = Column(
    "vehicle",
    "Fleet number",
    TEXT,
    "As in sheet Vehicles.",
    required=True,
    key=True,
    path="vehicle__fleet_number",
    refers="Vehicles",
)
VEHICLE_LINK = Link("vehicle_id", "Vehicles", ("vehicle",))

STAYS = Sheet(
    "Depot stays",
    DepotStay,
    "Where a vehicle was based from a day on. Without rows: its depot since it joined.",
    (
        VEHICLE_REF,
        Column("from_on", "From", DATE, "First day there.", required=True, key=True, past=True),
        Column(
            "depot",
            "Depot",
            SLUG,
            "As named in sheet Depots.",
            required=True,
            path="depot__slug",
            refers="Depots",
        ),
    ),
    links=(VEHICLE_LINK, DEPOT_LINK),
)

METER_CHANGES = Sheet(
    "Meter changes",
    MeterChange,
    "Meters that were replaced.",
    (
        Column(
            "vehicle",
            "Fleet number",
            TEXT,
            "As in sheet Vehicles.",
            required=True,
            key=True,
            path="meter__vehicle__fleet_number",
            refers="Vehicles",
        ),
        Column(
            "meter",
            "Meter",
            choice_of(Meter.Kind.values),
            "km (if empty) or hours.",
            key=True,
            path="meter__kind",
            default=Meter.Kind.KM.value,
        ),
        Column(
            "from_at",
            "From",
            INSTANT,
            "Day, or day and time at the vehicle's depot, since when the new meter counts.",
            required=True,
            key=True,
            zone_of="vehicle",
        ),
        Column(
            "offset",
            "Offset [km or h]",
            number_of(example="85000", low=-1e9),
            "Last figure of the old meter, with its own offset, less the new one's first.",
            required=True,
        ),
        Column("note", "Note", LONG_TEXT, "Why, by whom, which document.", required=True),
    ),
    links=(Link("meter_id", "meters", ("vehicle", "meter")),),
)
