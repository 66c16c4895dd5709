"""Sheets on fluids: specifications, products, what they claim and what a compartment accepts."""

from fleet.stores.models import AcceptedFluid, Product, ProductClaim, Specification
from fleet.workbook.cells import SLUG, TEXT, number_of
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.type_sheets import TYPE_REF

_VISCOSITY = number_of(example="14.5", high=1e6, above=True)
GRADE = Column("grade", "Grade", TEXT, "As the label prints it, e.g. 75W-90.")
_SPECIFICATION_REF = Column(
    "specification",
    "Specification",
    SLUG,
    "As named in sheet Specifications.",
    required=True,
    key=True,
    path="specification__slug",
    refers="Specifications",
)
_SPECIFICATION_LINK = Link("specification_id", "Specifications", ("specification",))

SPECIFICATIONS = Sheet(
    "Specifications",
    Specification,
    "Published requirements that a fluid can claim to meet.",
    (
        Column(
            "slug", "Specification", SLUG, "Short name, e.g. api-gl-4.", required=True, key=True
        ),
        Column("name", "Name", TEXT, "In full.", required=True),
        SOURCE,
    ),
)

PRODUCTS = Sheet(
    "Products",
    Product,
    "Fluids that are bought.",
    (
        Column("slug", "Product", SLUG, "Short name.", required=True, key=True),
        Column("name", "Name", TEXT, "As printed on the pack.", required=True),
        GRADE,
        Column("kv40_mm2_s", "Viscosity at 40 °C [mm²/s]", _VISCOSITY, "Of its data sheet."),
        Column("kv100_mm2_s", "Viscosity at 100 °C [mm²/s]", _VISCOSITY, "Of its data sheet."),
        Column(
            "ccs_mpa_s",
            "Cranking viscosity [mPa·s]",
            _VISCOSITY,
            "Of its data sheet, at the temperature of its grade.",
        ),
        Column(
            "hths_mpa_s",
            "High-shear viscosity [mPa·s]",
            _VISCOSITY,
            "Of its data sheet, at 150 °C.",
        ),
        Column("data_sheet", "Data sheet", TEXT, "Name and date of the sheet with these figures."),
        SOURCE,
    ),
)

CLAIMS = Sheet(
    "Product claims",
    ProductClaim,
    "Which specifications a product claims to meet; a row for each.",
    (
        Column(
            "product",
            "Product",
            SLUG,
            "As named in sheet Products.",
            required=True,
            key=True,
            path="product__slug",
            refers="Products",
        ),
        _SPECIFICATION_REF,
        SOURCE,
    ),
    links=(Link("product_id", "Products", ("product",)), _SPECIFICATION_LINK),
)

COMPARTMENT_REF = Column(
    "compartment",
    "Compartment",
    SLUG,
    "A compartment of that vehicle type, as named in sheet Compartments.",
    required=True,
    key=True,
    path="compartment__slug",
)

ACCEPTED = Sheet(
    "Accepted fluids",
    AcceptedFluid,
    "Specification and grade that a compartment accepts; a row for each.",
    (
        Column(
            TYPE_REF.name,
            TYPE_REF.heading,
            SLUG,
            TYPE_REF.explanation,
            required=True,
            key=True,
            path="compartment__vehicle_type__slug",
            refers="Vehicle types",
        ),
        COMPARTMENT_REF,
        _SPECIFICATION_REF,
        Column("grade", "Grade", TEXT, "Empty: any grade.", key=True),
        SOURCE,
    ),
    links=(
        Link("compartment_id", "Compartments", ("vehicle_type", "compartment")),
        _SPECIFICATION_LINK,
    ),
)
