"""Sheets on how a service is done: procedures, their steps, and the cautions before them."""

from dataclasses import replace

from fleet.vehicles.models import Powertrain
from fleet.workbook.cells import (
    LONG_TEXT,
    SLUG,
    TEXT,
    YES_NO,
    Kind,
    choice_of,
    list_of,
    number_of,
    text,
    whole_of,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.type_sheets import SERVICE_REF, TYPE_REF
from fleet.workorders.models import Caution, Procedure, Raising, Step

SHARE = number_of(example="0.15", high=1)

CAUTIONS = Sheet(
    "Cautions",
    Caution,
    "Hazards and the least to do about them. A caution stands before the steps that one of its "
    "marks names, in the bays, families and vehicles it is for, wherever its hazard begins again; "
    "without any mark before every step. What a procedure needs cannot be left out.",
    (
        Column("slug", "Caution", SLUG, "Short name, e.g. hot-fluid.", required=True, key=True),
        Column(
            "text",
            "Text",
            LONG_TEXT,
            "The hazard, the least to do about it, and whose instructions come first.",
            required=True,
        ),
        Column(
            "step_kinds",
            "Before steps",
            list_of(choice_of(Step.Kind.values).read),
            "Kinds of step as in sheet Steps, with ; between them.",
        ),
        Column(
            "under_vehicle",
            "Under the vehicle",
            YES_NO,
            "yes: before every step under the vehicle.",
        ),
        Column(
            "engine_running",
            "Engine running",
            YES_NO,
            "yes: before every step with the engine running.",
        ),
        Column(
            "wheels_removed",
            "Wheels removed",
            YES_NO,
            "yes: before refitting, where the procedure takes wheels off.",
        ),
        Column(
            "raising",
            "Raised by",
            list_of(choice_of(Raising.values).read),
            "Only in bays that raise the vehicle so, with ; between them; empty: all.",
        ),
        Column(
            "families",
            "Families",
            list_of(choice_of(Procedure.Family.values).read),
            "Only for these families of procedure, with ; between them; empty: all.",
        ),
        Column(
            "powertrains",
            "Powertrains",
            list_of(choice_of(Powertrain.values).read),
            "Only for vehicles driven so, with ; between them; empty: all.",
        ),
        Column("salted_roads", "Salted roads", YES_NO, "yes: only at depots with salted roads."),
        Column(
            "used_fluids",
            "Used fluids",
            list_of(text),
            "Only where what comes out is collected as one of these, with ; between them, e.g. "
            "used oil; empty: all.",
        ),
        Column(
            "only_while",
            "Only while",
            list_of(choice_of(Caution.While.values).read),
            "Only before steps where all of this holds, with ; between them; empty: always.",
        ),
        Column(
            "demands",
            "Demands",
            list_of(choice_of(Caution.Demand.values).read),
            "What it asks for, with ; between them; a step that makes it impossible is refused.",
        ),
        Column(
            "returns",
            "Comes again",
            choice_of(Caution.Returns.values),
            "What brings it back on one job; empty: each time raised or each run where it stands "
            "before those steps, else each job.",
        ),
        SOURCE,
    ),
)

PROCEDURES = Sheet(
    "Procedures",
    Procedure,
    "How a service is done on a vehicle type. Its family says which steps, seals and cautions it "
    "must have; the book is refused while one is missing.",
    (
        *SERVICE_REF,
        Column(
            "family",
            "Family",
            choice_of(Procedure.Family.values),
            "Decides the order of steps.",
            required=True,
        ),
        Column(
            "edition",
            "Edition",
            TEXT,
            "Of the book the figures are from; printed beside every figure.",
            required=True,
        ),
        Column("minutes", "Labour [min]", whole_of("min", "45", 1, 10_000), "", required=True),
        Column(
            "refill_l",
            "Refill [L]",
            number_of("L", "1.5", high=10_000, above=True),
            "What goes in with what this procedure changes.",
        ),
        Column(
            "refill_tolerance_low",
            "Refill less by up to",
            SHARE,
            "Share of the refill that passes without a question; 0.15 if empty (our choice).",
            default=0.15,
        ),
        Column(
            "refill_tolerance_high",
            "Refill more by up to",
            SHARE,
            "Likewise; 0.1 if empty (our choice).",
            default=0.10,
        ),
        Column("wheels_removed", "Wheels removed", YES_NO, "yes when wheels come off."),
        Column(
            "wheel_nut_torque_nm",
            "Wheel-nut torque [N·m]",
            number_of("N·m", "180", high=2000, above=True),
            "Needed when wheels come off.",
        ),
        Column(
            "retorque_after_km",
            "Tighten wheels again after [km]",
            number_of("km", "50", high=10_000, above=True),
            "Likewise.",
        ),
        Column(
            "used_fluid_class",
            "Used fluid",
            TEXT,
            "How what comes out is collected, e.g. used oil.",
        ),
        Column(
            "re_check",
            "Re-check",
            TEXT,
            "What to re-check and when, e.g. both plugs within 14 days.",
        ),
        Column("note", "Note", LONG_TEXT, "What else the mechanic should know."),
        SOURCE,
    ),
    links=(Link("service_id", "Services", ("vehicle_type", "service")),),
)

PROCEDURE_REF = (
    replace(TYPE_REF, path="procedure__service__vehicle_type__slug"),
    replace(
        SERVICE_REF[1],
        explanation="A service with a row in sheet Procedures.",
        path="procedure__service__slug",
    ),
)
PROCEDURE_LINK = Link("procedure_id", "Procedures", ("vehicle_type", "service"))


def fastener_ref(explanation: str, *, key: bool = False) -> Column:
    """A column that names a fastener of the same procedure."""
    return Column("fastener", "Fastener", SLUG, explanation, key=key)


_KIND: Kind = choice_of(Step.Kind.values)
STEPS = Sheet(
    "Steps",
    Step,
    "What to do, one action per row, in the order of their numbers.",
    (
        *PROCEDURE_REF,
        Column(
            "number", "Step", whole_of(example="1", low=1, high=500), "", required=True, key=True
        ),
        Column("kind", "Kind", _KIND, "What the rules of the family speak about.", required=True),
        Column("text", "Text", LONG_TEXT, "One short sentence.", required=True),
        Column("under_vehicle", "Under the vehicle", YES_NO, "yes when done under it."),
        Column("engine_running", "Engine running", YES_NO, "yes when it runs meanwhile."),
        fastener_ref("The plug or bolt it tightens, as named in sheet Fasteners."),
        Column(
            "points",
            "Points",
            list_of(text),
            "A record each, with ; between them; each wheel: every wheel of the vehicle type.",
        ),
        Column("confirm", "Confirm", YES_NO, "yes: not done without a record."),
        Column(
            "moving_hold",
            "Before it moves",
            YES_NO,
            "yes: the vehicle does not move before it is confirmed, e.g. a firm pedal.",
        ),
        Column(
            "wait_min",
            "Cures for [min]",
            whole_of("min", "60", 1, 10_000),
            "As long as its maker says; filling before that is asked about.",
        ),
        Column(
            "figure",
            "Figure",
            SLUG,
            "What it measures, as named in sheet Check figures for the service.",
        ),
    ),
    links=(PROCEDURE_LINK,),
)
