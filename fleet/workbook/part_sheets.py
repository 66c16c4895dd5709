"""Sheets on what a procedure needs: fasteners, tools, materials, figures of checks, wrenches."""

from fleet.due.models import CheckFigure
from fleet.workbook.cells import (
    DATE,
    MILLILITRES,
    SLUG,
    TEXT,
    TORQUE_UNIT,
    YES_NO,
    choice_of,
    list_of,
    number_of,
    whole_of,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import DEPOT_LINK, DEPOT_REF, SOURCE
from fleet.workbook.procedure_sheets import PROCEDURE_LINK, PROCEDURE_REF, SHARE, fastener_ref
from fleet.workbook.type_sheets import SERVICE_REF
from fleet.workorders.models import Fastener, Material, Raising, Tool, Wrench

_TORQUE = number_of(example="40", high=20_000, above=True)
_RANGE = number_of("N·m", "20", high=20_000, above=True)

FASTENERS = Sheet(
    "Fasteners",
    Fastener,
    "Plugs, caps and bolts that a procedure tightens, each with its torque and its own seal.",
    (
        *PROCEDURE_REF,
        Column("slug", "Fastener", SLUG, "Short name, e.g. drain-plug.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on the job card.", required=True),
        Column(
            "torque_nm",
            "Torque",
            _TORQUE,
            "As the source states it; of a range the lower end.",
            required=True,
            torque_in="stated_unit",
        ),
        Column(
            "torque_max_nm",
            "Torque up to",
            _TORQUE,
            "The upper end, where the source gives a range.",
            torque_in="stated_unit",
        ),
        Column(
            "stated_unit",
            "Torque unit",
            TORQUE_UNIT,
            "Of the source: N·m (if empty), lbf·ft, lbf·in or kgf·m.",
        ),
        Column(
            "tolerance",
            "Tolerance",
            SHARE,
            "Share of the torque that passes without a question; 0.1 if empty (our choice).",
        ),
        Column(
            "drive",
            "Drive",
            TEXT,
            "E.g. 13 mm hexagon, 17 mm internal hexagon, 1/2 in square; a tool must turn it.",
        ),
        Column("seal", "Seal", choice_of(Fastener.Seal.values), "What is renewed.", required=True),
        Column("seal_size", "Seal size", TEXT, "E.g. 18 × 24 × 1.5 mm copper."),
        Column("single_use", "Single use", YES_NO, "yes when it is itself renewed."),
        SOURCE,
    ),
    links=(PROCEDURE_LINK,),
)

TOOLS = Sheet(
    "Tools",
    Tool,
    "What to fetch before a procedure is begun. Each fastener needs a tool that turns it, a torque "
    "wrench that drives it, straight or by an adapter, and a ratchet or breaker bar to loosen it.",
    (
        *PROCEDURE_REF,
        Column("name", "Tool", TEXT, "E.g. torque wrench.", required=True, key=True),
        Column("size", "Size", TEXT, "As a person reads it: size, drive or range.", key=True),
        Column(
            "kind",
            "Kind",
            choice_of(Tool.Kind.values),
            "What it is, so that fit can be checked; other if empty.",
            default=Tool.Kind.OTHER.value,
        ),
        Column(
            "drive",
            "Drive",
            TEXT,
            "The square of a wrench, or what drives a socket, bit or adapter: 1/2 in square.",
        ),
        Column(
            "turns",
            "Turns",
            TEXT,
            "The drive of the fasteners it turns, as in sheet Fasteners, or wheel nut; of an "
            "adapter the square it gives.",
        ),
        Column("least_nm", "From [N·m]", _RANGE, "The range of a torque wrench; empty: any."),
        Column("most_nm", "To [N·m]", _RANGE, "Likewise."),
        Column(
            "raising",
            "Raised by",
            list_of(choice_of(Raising.values).read),
            "Only in bays that raise the vehicle so, with ; between them; empty: all.",
        ),
    ),
    links=(PROCEDURE_LINK,),
)

MATERIALS = Sheet(
    "Materials",
    Material,
    "What goes in or on: fluid, filter, seals, and one-time fixings.",
    (
        *PROCEDURE_REF,
        Column("kind", "Kind", choice_of(Material.Kind.values), "", required=True, key=True),
        Column("name", "Name", TEXT, "As it is asked for in the stores.", required=True, key=True),
        fastener_ref("The one it seals, as named in sheet Fasteners.", key=True),
        Column(
            "specification",
            "Specification",
            SLUG,
            "Of a fluid, as named in sheet Specifications.",
            path="specification__slug",
            refers="Specifications",
        ),
        Column("quantity_ml", "Quantity [L]", MILLILITRES, "Of a fluid; else give pieces."),
        Column("container_ml", "Container [L]", MILLILITRES, "What the fluid is sold in."),
        Column(
            "pieces", "Pieces", whole_of(example="1", low=1, high=1000), "Else give a quantity."
        ),
        Column(
            "item",
            "Item",
            SLUG,
            "That serves it, as named in sheet Items; empty: what the compartment accepts, or "
            "the item of the same name.",
            path="item__slug",
            refers="Items",
        ),
        Column(
            "only_when_recorded",
            "Only when recorded",
            YES_NO,
            "yes where a step uses it only at need: it is booked when it is recorded, and not by "
            "the book; no if empty.",
        ),
        SOURCE,
    ),
    links=(
        PROCEDURE_LINK,
        Link("specification_id", "Specifications", ("specification",)),
        Link("item_id", "Items", ("item",)),
    ),
)

_VALUE = number_of(example="-30", low=-1e6, high=1e6)
CHECK_FIGURES = Sheet(
    "Check figures",
    CheckFigure,
    "What a check measures, and which values pass, want watching, or fail, on either side.",
    (
        *SERVICE_REF,
        Column("slug", "Figure", SLUG, "Short name, e.g. freeze-point.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        Column("unit", "Unit", TEXT, "Of the values, e.g. °C.", required=True),
        Column("test_method", "Test method", TEXT, "E.g. refractometer."),
        Column("pass_from", "Pass from", _VALUE, "Empty: no lower limit."),
        Column("pass_to", "Pass to", _VALUE, "Empty: no upper limit."),
        Column("watch_from", "Watch from", _VALUE, "Outside pass, inside this: re-check sooner."),
        Column("watch_to", "Watch to", _VALUE, "Likewise; outside both it fails."),
        Column(
            "follows_frost",
            "Follows the frost",
            YES_NO,
            "yes for a freeze point: where sheet Climate knows the depot, the coldest mean daily "
            "minimum less 15 °C, at most -15 °C (our choice), stands for Pass to.",
        ),
        Column(
            "watch_months",
            "Re-check after [months]",
            whole_of("months", "3", 1, 120),
            "After a value to watch; 3 if empty (our choice).",
            default=3,
        ),
        Column(
            "calls_for",
            "Calls for",
            SLUG,
            "The service that a failed check makes due at once.",
            path="calls_for__slug",
        ),
        SOURCE,
    ),
    links=(
        Link("service_id", "Services", ("vehicle_type", "service")),
        Link("calls_for_id", "Services", ("vehicle_type", "calls_for")),
    ),
)

WRENCHES = Sheet(
    "Wrenches",
    Wrench,
    "Torque wrenches of each depot.",
    (
        DEPOT_REF,
        Column("tag", "Wrench", TEXT, "As engraved.", required=True, key=True),
        Column(
            "calibrated_until_on", "Calibrated until", DATE, "The last valid day.", required=True
        ),
    ),
    links=(DEPOT_LINK,),
)
