"""Sheets on use: when it counts as severe, and what was measured month by month."""

from fleet.duty.measures import MEASURES
from fleet.duty.models import Criterion
from fleet.readings.models import UsageSheet
from fleet.vehicles.models import CompartmentKind, Powertrain
from fleet.workbook.cells import MONTH, SLUG, TEXT, YES_NO, choice_of, list_of, number_of, whole_of
from fleet.workbook.columns import Column, Sheet
from fleet.workbook.conditions import CONDITIONS
from fleet.workbook.depot_sheets import SOURCE
from fleet.workbook.vehicle_sheets import VEHICLE_LINK, VEHICLE_REF

_SHARE = number_of(example="0.3", high=1)
_COUNT = whole_of(example="120")
_MEASURES = "; ".join(f"{name} ({words})" for name, words in MEASURES.items())

CRITERIA = Sheet(
    "Duty criteria",
    Criterion,
    "When use counts as severe. The usual criteria stand here to start with, off: write yes under "
    "'In force' for those that are to count.",
    (
        Column("slug", "Criterion", SLUG, "Short name, e.g. short-trips.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        Column(
            "compartments",
            "Compartments",
            list_of(choice_of(CompartmentKind.values).read),
            "Kinds of compartment it applies to, with ; between.",
            required=True,
        ),
        Column(
            "powertrains",
            "Powertrains",
            list_of(choice_of(Powertrain.values).read),
            "Only these, with ; between; every powertrain if empty.",
        ),
        Column(
            "conditions",
            "Monthly conditions",
            CONDITIONS,
            "A measure, a sign and a figure; joined by 'and', alternatives by 'or'. "
            f"Measures of a month: {_MEASURES}.",
            required=True,
        ),
        Column(
            "weight",
            "Weight",
            choice_of(("km", "engine_h")),
            "What a month counts by; km if empty.",
            default="km",
        ),
        Column(
            "window_months",
            "Window [months]",
            whole_of("months", "12", 1, 60),
            "How far back it looks; 12 if empty.",
            default=12,
        ),
        Column(
            "share_limit",
            "Share limit",
            _SHARE,
            "Severe from this share of the window on, 0 to 1; 0.5 if empty.",
            default=0.5,
        ),
        Column(
            "in_force",
            "In force",
            YES_NO,
            "no: it is kept and judges nothing; yes if empty.",
            default=True,
        ),
        SOURCE,
    ),
)

USAGE = Sheet(
    "Usage sheets",
    UsageSheet,
    "How a vehicle was used in a month, as far as anybody measured it. Leave empty what was not.",
    (
        VEHICLE_REF,
        Column("month_on", "Month", MONTH, "E.g. 2025-03.", required=True, key=True, past=True),
        Column("trips", "Trips", _COUNT, "From a start after 2 h standing to the next such stop."),
        Column("trips_under_8_km", "Trips under 8 km", _COUNT, "Of these; exactly 8 km is not."),
        Column("trips_under_16_km", "Trips under 16 km", _COUNT, "Of these, the short ones too."),
        Column("stops_per_10_km", "Stops per 10 km", number_of(example="14", high=1000), "Mean."),
        Column(
            "mean_speed_km_per_h",
            "Mean speed [km/h]",
            number_of("km/h", "27", high=200),
            "Distance by hours with the engine on.",
        ),
        Column("engine_h", "Engine hours [h]", number_of("h", "110", high=750), "In the month."),
        Column("idle_h", "Idle hours [h]", number_of("h", "30", high=750), "Of these, standing."),
        Column("unpaved_share", "Unpaved share", _SHARE, "Share of distance, 0 to 1."),
        Column(
            "loaded_share",
            "Loaded share",
            _SHARE,
            "Share of distance towing or near gross mass, 0 to 1.",
        ),
        SOURCE,
    ),
    links=(VEHICLE_LINK,),
)
