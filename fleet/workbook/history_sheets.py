"""Sheets on what was done: services, and what was filled in."""

from fleet.due.models import Fill, ServiceDone
from fleet.workbook.cells import (
    DATE,
    LONG_TEXT,
    MILLILITRES,
    SLUG,
    TEXT,
    YES_NO,
    choice_of,
    number_of,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.vehicle_sheets import DISTANCE, UNIT, VEHICLE_LINK, VEHICLE_REF

SERVICE_HISTORY = Sheet(
    "Service history",
    ServiceDone,
    "Services that were done, and documents that say when (baselines). A changed row is kept "
    "beside the old one and takes its place.",
    (
        VEHICLE_REF,
        Column(
            "service",
            "Service",
            SLUG,
            "A service of the vehicle's type, as named in sheet Services.",
            required=True,
            key=True,
            path="service__slug",
        ),
        Column("done_on", "Done on", DATE, "The day.", required=True, key=True, past=True),
        Column(
            "total_km",
            "Total distance",
            DISTANCE,
            "The odometer that day, plus what replaced meters had counted.",
            unit_in="unit",
        ),
        UNIT,
        Column("total_h", "Total engine hours [h]", number_of("h", "3200"), "Likewise."),
        Column(
            "evidence",
            "Evidence",
            choice_of(ServiceDone.Evidence.values),
            "baseline: a document from before the vehicle joined.",
            required=True,
        ),
        SOURCE,
        Column(
            "why_it_stands",
            "Why the total stands",
            LONG_TEXT,
            "Only where the readings contradict it and it is right all the same.",
        ),
    ),
    links=(VEHICLE_LINK, Link("service_id", "Services", ("vehicle.vehicle_type", "service"))),
    append_only=True,
    only={"superseded_by": None, "void": False},
)

FILLS = Sheet(
    "Fills",
    Fill,
    "What is in a compartment, and since when.",
    (
        VEHICLE_REF,
        Column(
            "compartment",
            "Compartment",
            SLUG,
            "A compartment of the vehicle's type, as named in sheet Compartments.",
            required=True,
            key=True,
            path="compartment__slug",
        ),
        Column("filled_on", "Filled on", DATE, "The day.", required=True, key=True, past=True),
        Column(
            "origin",
            "What",
            choice_of(Fill.Origin.values),
            "product, factory fill or unknown.",
            required=True,
        ),
        Column(
            "product",
            "Product",
            SLUG,
            "As named in sheet Products, when it is a product.",
            path="product__slug",
            refers="Products",
        ),
        Column("quantity_ml", "Quantity [L]", MILLILITRES, "How much went in."),
        Column(
            "full_change",
            "Full change",
            YES_NO,
            "no when part of the old fluid stayed; yes if empty.",
            default=True,
        ),
        Column("flushed", "Flushed", YES_NO, "no if empty."),
        Column("mixed_with", "Mixed with", TEXT, "What is known to be in it too."),
        SOURCE,
    ),
    links=(
        VEHICLE_LINK,
        Link("compartment_id", "Compartments", ("vehicle.vehicle_type", "compartment")),
        Link("product_id", "Products", ("product",)),
    ),
    append_only=True,
)
