"""Sheets on depots: where vehicles stand, when the workshop is open, how warm it gets."""

from fleet.vehicles.models import ClimateMonth, Closure, Depot
from fleet.workbook.cells import (
    DATE,
    LONG_TEXT,
    SLUG,
    TEXT,
    WEEKDAYS,
    YES_NO,
    choice_of,
    number_of,
    whole_of,
)
from fleet.workbook.columns import Column, Link, Sheet

SOURCE = Column(
    "source",
    "Source",
    LONG_TEXT,
    "Where the figures come from: a document, 'common practice, no source' or 'our choice'.",
    required=True,
)
DEPOT_REF = Column(
    "depot",
    "Depot",
    SLUG,
    "As named in sheet Depots.",
    required=True,
    key=True,
    path="depot__slug",
    refers="Depots",
)
DEPOT_LINK = Link("depot_id", "Depots", ("depot",))

DEPOTS = Sheet(
    "Depots",
    Depot,
    "Where vehicles are based.",
    (
        Column("slug", "Depot", SLUG, "Short name, e.g. north-depot.", required=True, key=True),
        Column("name", "Name", TEXT, "As shown on pages.", required=True),
        Column(
            "zone",
            "Time zone",
            TEXT,
            "IANA name, e.g. Europe/Lisbon: decides what 'today' is.",
            required=True,
        ),
        Column(
            "working_days",
            "Working days",
            WEEKDAYS,
            "When the workshop is open, e.g. Mon Tue Wed Thu Fri (if empty).",
        ),
        Column(
            "holidays_in",
            "Public holidays of",
            TEXT,
            "Country, or country and region, as ISO 3166 writes them: PT, ES-AN. None if empty.",
        ),
        Column("hilly", "Hilly", YES_NO, "yes when most rounds climb; no if empty."),
        Column(
            "salted_roads",
            "Salted roads",
            YES_NO,
            "yes where roads are salted in winter: plugs may be seized. no if empty.",
        ),
        Column(
            "quart",
            "Quart",
            choice_of(Depot.Quart.values),
            "Which quart, pint and gallon is meant where people write one; asked if empty.",
        ),
        Column(
            "use_recorded_since_on",
            "Use recorded since",
            DATE,
            "From when top-ups are recorded here; if empty, from the first one or the first order.",
            past=True,
        ),
        SOURCE,
    ),
)

CLOSURES = Sheet(
    "Closures",
    Closure,
    "Days on which a depot's workshop is closed beside its week and its public holidays.",
    (
        DEPOT_REF,
        Column("on", "Closed on", DATE, "The day.", required=True, key=True),
        Column("open", "Open", YES_NO, "yes: open all the same, although a public holiday."),
        Column("note", "Note", LONG_TEXT, "Why, e.g. stocktaking."),
    ),
    links=(DEPOT_LINK,),
)

CLIMATE = Sheet(
    "Climate",
    ClimateMonth,
    "How warm and cold the months are at a depot: decides hot and cold duty.",
    (
        DEPOT_REF,
        Column(
            "year",
            "Year",
            whole_of(example="2025", high=2100, zero="every year"),
            "Empty or 'every year' for the usual climate; a year for what was measured in it.",
            key=True,
        ),
        Column(
            "month",
            "Month",
            whole_of(example="7", low=1, high=12),
            "1 to 12.",
            required=True,
            key=True,
        ),
        Column(
            "mean_daily_max_c",
            "Mean daily maximum [°C]",
            number_of("°C", "31.5", -80, 65),
            "Mean of the daily highest temperatures.",
            required=True,
        ),
        Column(
            "mean_daily_min_c",
            "Mean daily minimum [°C]",
            number_of("°C", "18.5", -80, 65),
            "Mean of the daily lowest temperatures.",
            required=True,
        ),
        SOURCE,
    ),
    links=(DEPOT_LINK,),
)
