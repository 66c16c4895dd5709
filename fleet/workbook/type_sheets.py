"""Sheets on vehicle types and their compartments."""

from dataclasses import replace

from fleet.vehicles.models import Compartment, CompartmentKind, Powertrain, VehicleType
from fleet.workbook.cells import SLUG, TEXT, choice_of, list_of, number_of, text
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE

TYPE_REF = Column(
    "vehicle_type",
    "Vehicle type",
    SLUG,
    "As named in sheet Vehicle types.",
    required=True,
    key=True,
    path="vehicle_type__slug",
    refers="Vehicle types",
)
SERVICE_REF = (
    replace(TYPE_REF, path="service__vehicle_type__slug"),
    Column(
        "service",
        "Service",
        SLUG,
        "A service of that vehicle type, as named in sheet Services.",
        required=True,
        key=True,
        path="service__slug",
    ),
)
TYPE_LINK = Link("vehicle_type_id", "Vehicle types", ("vehicle_type",))
_LITRES = number_of("L", "1.5", high=10_000, above=True)

VEHICLE_TYPES = Sheet(
    "Vehicle types",
    VehicleType,
    "Vehicles that share their compartments, services and limits.",
    (
        Column("slug", "Vehicle type", SLUG, "Short name, e.g. van-l.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        Column(
            "powertrain",
            "Powertrain",
            choice_of(Powertrain.values),
            "What drives it.",
            required=True,
        ),
        Column(
            "expected_km_per_day",
            "Expected use [km/day]",
            number_of("km/day", "90", 0.1, 3000),
            "Mean over all days of the week; used until a vehicle's own readings speak.",
            required=True,
        ),
        Column(
            "top_km_per_day",
            "Most in a day [km/day]",
            number_of("km/day", "900", 1, 5000),
            "A reading that asks for more is not believed. Van 900, heavy truck 1500: our choice.",
            required=True,
        ),
        Column(
            "expected_h_per_day",
            "Expected engine hours [h/day]",
            number_of("h/day", "3", high=24, above=True),
            "Only where engine hours are read; every vehicle then gets an hour meter.",
        ),
        Column(
            "gross_mass_kg",
            "Gross mass [kg]",
            number_of("kg", "3500", high=100_000, above=True),
            "Largest permitted mass.",
        ),
        Column("length_m", "Length [m]", number_of("m", "6.9", 0.5, 60), "For the bays it fits."),
        Column("height_m", "Height [m]", number_of("m", "2.8", 0.5, 20), "For the bays it fits."),
        Column(
            "wheel_positions",
            "Wheels",
            list_of(text),
            "One by one with ; between them, e.g. front left; front right; rear left; rear right.",
        ),
        SOURCE,
    ),
)

COMPARTMENTS = Sheet(
    "Compartments",
    Compartment,
    "Where fluid is: one row per compartment of a vehicle type.",
    (
        TYPE_REF,
        Column("slug", "Compartment", SLUG, "Short name, e.g. gearbox.", required=True, key=True),
        Column(
            "kind",
            "Kind",
            choice_of(CompartmentKind.values),
            "Decides which duty criteria apply.",
            required=True,
        ),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        Column(
            "service_refill_l", "Service refill [L]", _LITRES, "What goes in after a normal drain."
        ),
        Column(
            "service_refill_with_filter_l",
            "Service refill with filter [L]",
            _LITRES,
            "The same with the filter changed.",
        ),
        Column("dry_fill_l", "Dry fill [L]", _LITRES, "What goes in when empty and dry."),
        SOURCE,
    ),
    links=(TYPE_LINK,),
)
