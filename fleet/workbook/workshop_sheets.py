"""Sheets on workshops: what each has, who works there, when nobody comes, and other work."""

from fleet.visits.models import (
    Absence,
    Bay,
    BlockedDays,
    Mechanic,
    OtherWork,
    ServiceNeed,
    SparedType,
    Workshop,
)
from fleet.visits.other_work import BY_HAND, LONGEST_MIN
from fleet.workbook.cells import (
    DATE,
    LONG_TEXT,
    SLUG,
    TEXT,
    WEEKDAYS,
    choice_of,
    list_of,
    number_of,
    text,
    whole_of,
)
from fleet.workbook.columns import Column, Link, Sheet
from fleet.workbook.depot_sheets import DEPOT_LINK, DEPOT_REF, SOURCE
from fleet.workbook.stock_sheets import MONEY
from fleet.workbook.type_sheets import SERVICE_REF, TYPE_LINK, TYPE_REF
from fleet.workbook.vehicle_sheets import VEHICLE_LINK, VEHICLE_REF

_MINUTES = whole_of(example="480", low=1, high=1_440)
_SKILLS = Column(
    "skills",
    "Skills",
    list_of(text),
    "What not everybody can do, in words of your own with ; between, alike for all.",
)
_FROM = Column("from_on", "From", DATE, "First day.", required=True, key=True)
_UNTIL = Column("until_on", "Until", DATE, "Last day.", required=True)


def _of_workshop(name: str) -> int:
    """What a workshop has where nothing is said."""
    default: int = getattr(Workshop(), name)
    return default


def _money(name: str, heading: str, explanation: str) -> Column:
    return Column(name, heading, MONEY, explanation, default=_of_workshop(name))


WORKSHOPS = Sheet(
    "Workshops",
    Workshop,
    "What a depot's workshop is like, and what visits and lateness cost there.",
    (
        DEPOT_REF,
        Column(
            "opening_min",
            "Opening [min]",
            _MINUTES,
            "Minutes of a day; 480 if empty.",
            default=_of_workshop("opening_min"),
        ),
        Column(
            "kept_share",
            "Kept share",
            number_of(example="0.3", high=0.95),
            "Of all minutes, kept for unplanned work; 0.3 if empty.",
            default=0.3,
        ),
        Column(
            "set_up_min",
            "Set-up [min]",
            whole_of(example="20", high=480),
            "Of each visit; 20 if empty.",
            default=_of_workshop("set_up_min"),
        ),
        Column(
            "vehicles_a_day",
            "Vehicles a day",
            whole_of(example="3", high=10_000),
            "That the depot can spare; any number if empty.",
        ),
        _money("visit_minor", "Visit", "Cost of a visit by itself."),
        _money("late_change_minor", "Change a day late", "Cost of each day."),
        _money("late_check_minor", "Check a day late", "Cost of each day."),
        _money("growing_minor", "Growing", "On top, times the square of the days late."),
        _money("change_minor", "Change thrown away", "Price of a change done a whole life early."),
        _money("check_minor", "Check thrown away", "The same of a check."),
        _money("moved_minor", "Moved", "Cost of a service moved off the day it had."),
        SOURCE,
    ),
    links=(DEPOT_LINK,),
)

BAYS = Sheet(
    "Bays",
    Bay,
    "Places where one vehicle stands.",
    (
        DEPOT_REF,
        Column("name", "Bay", TEXT, "As people call it.", required=True, key=True),
        Column(
            "rated_kg",
            "Rated [kg]",
            whole_of(example="5500", low=1, high=200_000),
            "By its plate; any mass if empty.",
        ),
        Column(
            "length_m",
            "Length [m]",
            number_of("m", "7.5", 0.5, 60),
            "Longest vehicle; any if empty.",
        ),
        Column(
            "height_m",
            "Height [m]",
            number_of("m", "3.2", 0.5, 20),
            "Highest vehicle; any if empty.",
        ),
        Column("opening_min", "Opening [min]", _MINUTES, "As the workshop if empty."),
        SOURCE,
    ),
    links=(DEPOT_LINK,),
)

MECHANICS = Sheet(
    "Mechanics",
    Mechanic,
    "Who works where. As whom one signs in is set on the set-up pages.",
    (
        DEPOT_REF,
        Column("name", "Mechanic", TEXT, "As pages show it.", required=True, key=True),
        Column(
            "minutes",
            "Minutes",
            _MINUTES,
            "On a day of work; 480 if empty.",
            default=Mechanic().minutes,
        ),
        Column("works_on", "Works on", WEEKDAYS, "Mon Tue Wed Thu Fri if empty."),
        _SKILLS,
        SOURCE,
    ),
    links=(DEPOT_LINK,),
)

MECHANICS_AWAY = Sheet(
    "Mechanics away",
    Absence,
    "Days on which a mechanic is not there.",
    (
        Column(
            "depot",
            "Depot",
            SLUG,
            "As named in sheet Depots.",
            required=True,
            key=True,
            path="mechanic__depot__slug",
            refers="Depots",
        ),
        Column(
            "mechanic",
            "Mechanic",
            TEXT,
            "As named in sheet Mechanics.",
            required=True,
            key=True,
            path="mechanic__name",
        ),
        _FROM,
        _UNTIL,
        Column("reason", "Reason", LONG_TEXT, ""),
    ),
    links=(Link("mechanic_id", "Mechanics", ("depot", "mechanic")),),
    only={"vehicle": None},
)

VEHICLES_AWAY = Sheet(
    "Vehicles away",
    Absence,
    "Days on which a vehicle cannot come.",
    (VEHICLE_REF, _FROM, _UNTIL, Column("reason", "Reason", LONG_TEXT, "")),
    links=(VEHICLE_LINK,),
    only={"mechanic": None},
)

BLOCKED_DAYS = Sheet(
    "Blocked days",
    BlockedDays,
    "Days on which a depot is open and plans no visit, as in its busiest weeks.",
    (
        DEPOT_REF,
        _FROM,
        _UNTIL,
        Column("reason", "Reason", LONG_TEXT, "Why, e.g. harvest.", required=True),
    ),
    links=(DEPOT_LINK,),
)

SPARED_TYPES = Sheet(
    "Spared types",
    SparedType,
    "How many vehicles of a type a depot can spare on one day.",
    (
        DEPOT_REF,
        TYPE_REF,
        Column(
            "vehicles_a_day",
            "Vehicles a day",
            whole_of(example="2", high=10_000),
            "0: none on any day.",
            required=True,
        ),
    ),
    links=(DEPOT_LINK, TYPE_LINK),
)

SERVICE_NEEDS = Sheet(
    "Service needs",
    ServiceNeed,
    "What a service asks of whoever does it, beyond its minutes.",
    (
        *SERVICE_REF,
        _SKILLS,
        Column(
            "second_min",
            "Second person [min]",
            whole_of(example="15", high=1_440),
            "Of a second person; 0 if empty.",
            default=0,
        ),
        SOURCE,
    ),
    links=(Link("service_id", "Services", ("vehicle_type", "service")),),
)

OTHER_WORK = Sheet(
    "Other work",
    OtherWork,
    "Inspections, recalls, tyres and the like that services join; what has ended is left out.",
    (
        VEHICLE_REF,
        Column("title", "What", TEXT, "In a few words.", required=True, key=True),
        Column("number", "Number", TEXT, "Of a recall, as its letter has it.", key=True),
        Column(
            "kind",
            "Kind",
            choice_of([one.value for one in BY_HAND]),
            "other if empty.",
            default=OtherWork.Kind.OTHER.value,
        ),
        Column(
            "minutes",
            "Minutes",
            whole_of(example="60", low=1, high=LONGEST_MIN),
            "Of whoever does it.",
            required=True,
        ),
        Column("fixed_on", "Fixed day", DATE, "The vehicle comes in on that day."),
        Column(
            "why_it_stands",
            "Why the day stands",
            LONG_TEXT,
            "Only where the vehicle cannot come in on its fixed day and it is right all the same.",
        ),
        Column(
            "latest_on",
            "Latest day",
            DATE,
            "Instead of a fixed day; with neither it is done when the vehicle is in anyway.",
        ),
        _SKILLS,
    ),
    links=(VEHICLE_LINK,),
    only={"ending": "", "finding": None},
)

WORKSHOP_SHEETS = (
    *(WORKSHOPS, BAYS, MECHANICS, MECHANICS_AWAY, BLOCKED_DAYS, SPARED_TYPES, SERVICE_NEEDS),
    *(VEHICLES_AWAY, OTHER_WORK),
)
