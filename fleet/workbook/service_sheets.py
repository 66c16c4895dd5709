"""Sheets on services and their limits."""

from dataclasses import replace

from fleet.due.models import Limit, Service
from fleet.duty.models import DutyClass
from fleet.workbook.cells import SLUG, TEXT, YES_NO, choice_of, number_of, whole_of
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.fluid_sheets import COMPARTMENT_REF
from fleet.workbook.type_sheets import SERVICE_REF, TYPE_LINK, TYPE_REF

SERVICES = Sheet(
    "Services",
    Service,
    "What is done again and again to a compartment of a vehicle type.",
    (
        TYPE_REF,
        Column("slug", "Service", SLUG, "Short name, e.g. gearbox-oil.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        replace(COMPARTMENT_REF, key=False),
        Column(
            "kind", "Kind", choice_of(Service.Kind.values), "A change or a check.", required=True
        ),
        Column(
            "early_share",
            "Early share",
            number_of(example="0.15", high=1),
            "How early it may be done, as a share of the interval, 0 to 1; 0.15 if empty.",
            default=0.15,
        ),
        Column(
            "strictest_under_warranty",
            "Strictest under warranty",
            YES_NO,
            "yes: once severe, severe until done, while the warranty runs. no if empty.",
        ),
        Column(
            "is_round",
            "Round",
            YES_NO,
            "yes: no order is drafted for it alone; it joins the vehicle's next one. no if empty.",
        ),
        SOURCE,
    ),
    links=(TYPE_LINK, Link("compartment_id", "Compartments", ("vehicle_type", "compartment"))),
)

_TOLERANCE = "Beyond the limit by more than this is out of tolerance; 0 if empty."
LIMITS = Sheet(
    "Limits",
    Limit,
    "When a service is due: whichever figure of the row is reached first.",
    (
        *SERVICE_REF,
        Column(
            "duty_class",
            "Duty class",
            choice_of(DutyClass.values),
            "A row for normal and one for severe.",
            required=True,
            key=True,
        ),
        Column(
            "occasion",
            "Occasion",
            choice_of(Limit.Occasion.values),
            "repeat (if empty), or first when the first time has limits of its own.",
            key=True,
            default=Limit.Occasion.REPEAT.value,
        ),
        Column(
            "product",
            "Product",
            SLUG,
            "Only where the limits hold for one product alone.",
            key=True,
            path="product__slug",
            refers="Products",
        ),
        Column("limit_km", "Interval [km]", number_of("km", "60000", 1), "Distance."),
        Column(
            "limit_months",
            "Interval [months]",
            whole_of("months", "36", 1, 600),
            "Calendar months.",
        ),
        Column("limit_h", "Interval [h]", number_of("h", "500", 1), "Engine hours."),
        Column(
            "yearly_day",
            "Yearly by day",
            whole_of(example="1", low=1, high=31),
            "E.g. 1 for 1 October.",
        ),
        Column(
            "yearly_month",
            "Yearly by month",
            whole_of(example="10", low=1, high=12),
            "E.g. 10 for 1 October.",
        ),
        Column("tolerance_km", "Tolerance [km]", number_of("km", "1000"), _TOLERANCE, default=0.0),
        Column("tolerance_d", "Tolerance [days]", whole_of("days", "14"), _TOLERANCE, default=0),
        Column("tolerance_h", "Tolerance [h]", number_of("h", "20"), _TOLERANCE, default=0.0),
        SOURCE,
    ),
    links=(
        Link("service_id", "Services", ("vehicle_type", "service")),
        Link("product_id", "Products", ("product",)),
    ),
)
