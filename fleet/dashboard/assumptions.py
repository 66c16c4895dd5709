"""Every figure that the computation rests on, read from where the computation reads it."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.conf import settings

from fleet.calc import (
    breakage,
    class_rates,
    common_factor,
    due,
    duty,
    expectations,
    explanations,
    frost,
    labour,
    passage,
    rebase,
    replay,
    seasons_then,
    slips,
    standing,
    trial_cells,
    trial_inference,
    trial_power,
    usage,
    verdicts,
    widening,
)
from fleet.consumables import learn, recipes
from fleet.dashboard.words import THIN_SPACE
from fleet.due import forecast
from fleet.due.models import Service
from fleet.hindcast import backtest, widen
from fleet.readings import judge
from fleet.stores import money
from fleet.trials import approve
from fleet.usage import rates
from fleet.visits import gather, other_work, plan, task
from fleet.visits import labour as learnt
from fleet.visits.models import Workshop
from fleet.workorders import consumption, escalate, findings, fluids

OUR_CHOICE = "our choice"
SETTING = "our choice; a setting of the installation"
MEASURED = "measured on real city-bus odometers"  # each by itself; the page says how
FIVE_SETS = "measured as a whole on five real sets: buses, municipal, cars, bicycles, a city fleet"
TUNED = "our choice, tuned on city-bus odometers"
AS_A_WHOLE = "our choice, measured as a whole on city-bus odometers"
PLAIN = "{:g}"
SHARE = "{:.0%}"


@dataclass(frozen=True)
class Figure:
    """One constant of the code in words; ``shown`` formats it, ``source`` is never empty."""

    what: str
    where: object
    name: str
    shown: str
    source: str

    @property
    def value(self) -> str:
        """The constant as it is now."""
        given = getattr(self.where, self.name)
        if isinstance(given, list):
            given = ", ".join(f"{one:,}" for one in given)
        return self.shown.format(given).replace("%", f"{THIN_SPACE}%")


class Price(Figure):
    """A figure in minor units of the currency."""

    @property
    def value(self) -> str:
        return self.shown.format(money.words(getattr(self.where, self.name)))


@dataclass(frozen=True)
class Chapter:
    name: str
    figures: Sequence[Figure]


USAGE = (
    Figure("Noise of one day's distance, as a squared coefficient of variation",
           usage, "NOISE_D", "{:g} days", MEASURED),
    Figure("A passing excursion of use (a holiday, a busy season) is of the size of",
           usage, "EXCURSION_SD", "{:.0%} of the usual level", MEASURED),
    Figure("An excursion fades within about", usage, "EXCURSION_D", "{:g} days", MEASURED),
    Figure("The long-run level wanders: variance gained a day, relative to its square",
           usage, "WANDER_PER_D", PLAIN, MEASURED),
    Figure("Half-life of the record of surprises, which widens or tightens a vehicle's band",
           usage, "SURPRISE_HALF_LIFE_D", "{:g} days", MEASURED),
    Figure("Weight of “as surprising as expected” at its start",
           usage, "PRIOR_SURPRISES", "{:g} readings", MEASURED),
    Figure("However deep an excursion, of the usual level a vehicle still runs",
           usage, "LEAST_SHARE", SHARE, OUR_CHOICE),
    Figure("A vehicle stands while it drives less, of what was expected, than",
           standing, "HARDLY", SHARE, FIVE_SETS),
    Figure("Standing begins with a shortfall, in standard deviations, of",
           standing, "SURPRISE_SD", PLAIN, FIVE_SETS),
    Figure("What is seen of a standing vehicle teaches, of what a running one does",
           standing, "LESSON", SHARE, FIVE_SETS),
    Figure("Share of the days ahead that spells to come cost a running vehicle",
           standing, "LOST_SHARE", "{:.1%}", FIVE_SETS),
    Figure("Size of a spell of standing", standing, "SPELL_D", "{:g} days", FIVE_SETS),
    Figure("Readings closer together than this enter with the next one",
           usage, "SHORTEST_UPDATE_D", "{:g} days", OUR_CHOICE),
    Figure("Half-life of the sums that class rates are made from",
           usage, "SUM_HALF_LIFE_D", "{:g} days", OUR_CHOICE),
)  # fmt: skip
CLASSES = (
    Figure("Vehicles that a class (type at a depot) needs for a rate of its own",
           class_rates, "FEWEST_VEHICLES", PLAIN, AS_A_WHOLE),
    Figure("A vehicle counts in its class from", class_rates, "LEAST_SUM_D",
           "{:g} days of history", AS_A_WHOLE),
    Figure("A vehicle leaves the class rate when not read for", class_rates, "LONGEST_SILENCE_D",
           "{:g} days", AS_A_WHOLE),
    Figure("The fleet's mean weighs in a class as", class_rates, "PRIOR_VEHICLES",
           "{:g} vehicles", AS_A_WHOLE),
    Figure("Vehicles of the fleet differ (log scale), before looking, by",
           class_rates, "PRIOR_SPREAD",
           PLAIN, AS_A_WHOLE),
    Figure("Vehicles of a class differ (log scale) by at least", class_rates, "LEAST_SPREAD",
           PLAIN, AS_A_WHOLE),
    Figure("Without any class rate the type's stated distance a day stands in, and they differ by",
           class_rates, "UNKNOWN_SPREAD", PLAIN, OUR_CHOICE),
    Figure("A vehicle's own rate counts as at least", class_rates, "LEAST_KM_PER_DAY",
           "{:g} km a day", AS_A_WHOLE),
    Figure("An hour meter's own rate counts as at least", class_rates, "LEAST_H_PER_DAY",
           "{:g} h a day", AS_A_WHOLE),
    Figure("Where a type states no hours a day, an hour stands for", rates, "KM_PER_HOUR",
           "{:g} km", OUR_CHOICE),
    Figure("Whole years that a season needs", class_rates, "SEASON_YEARS", PLAIN, AS_A_WHOLE),
    Figure("Vehicles that must have run a year whole for it to count", class_rates,
           "SEASON_VEHICLES", PLAIN, AS_A_WHOLE),
    Figure("An idle month counts, of the usual distance, as", class_rates, "SEASON_LEAST_SHARE",
           SHARE, AS_A_WHOLE),
    Figure("A season takes force when a month's factor moves by", class_rates, "SEASON_STEP",
           PLAIN, OUR_CHOICE),
    Figure("Seasons are read from vehicles that run at least",
           class_rates, "SEASON_LEAST_PER_DAY", "{:g} km a day", AS_A_WHOLE),
    Figure("A season is read from at most the last",
           seasons_then, "MOST_YEARS", "{:g} years", OUR_CHOICE),
)  # fmt: skip
READINGS = (
    Figure("A reading is plain within so many standard deviations of what was expected",
           expectations, "PLAIN_Z", PLAIN, OUR_CHOICE),
    Figure("Chance, before looking, that a reading is right as it stands",
           explanations, "PRIORS", "{0[0]:.1%}", OUR_CHOICE),
    Figure("Chance, before looking, of each fault", explanations, "PRIORS",
           "digits swapped {0[1]:.1%}, miles for km {0[2]:.1%}, last digit lost {0[3]:.1%}, "
           "leading digit lost {0[4]:.1%}, extra digit {0[5]:.1%}, one wrong digit {0[6]:.1%}, "
           "rolled back {0[7]:.1%}, noted late {0[8]:.1%}, new meter {0[9]:.1%}, "
           "jump {0[10]:.1%}", OUR_CHOICE),
    Figure("A doubtful reading is accepted when its being right has more than",
           verdicts, "SURE_AS_IT_STANDS", SHARE, OUR_CHOICE),
    Figure("An impossible one is rejected without asking when its slip has at least",
           verdicts, "SURE_FAULT", SHARE, OUR_CHOICE),
    Figure("A clock or time zone may be off by", verdicts, "FUTURE_D", "{:g} day", OUR_CHOICE),
    Figure("The same value again is held as a duplicate after",
           verdicts, "STUCK_D", "{0[0]:g} to {0[1]:g} days", OUR_CHOICE),
    Figure("Distance expected meanwhile that makes it a duplicate",
           verdicts, "STUCK_KM", "{:g} km", OUR_CHOICE),
    Figure("Held readings agree with each other within so many standard deviations",
           rebase, "AGREE_Z", PLAIN, OUR_CHOICE),
    Figure("Days of own history that weigh as much as the class, per 1 / spread²",
           expectations, "PRIOR_WEIGHT", PLAIN, TUNED),
    Figure("Half-life of what a meter's own past says about its next reading",
           expectations, "MEMORY_HALF_LIFE_D", "{:g} days", TUNED),
    Figure("A meter's rate may drift within that time by", expectations, "DRIFT", SHARE, TUNED),
    Figure("A value is read off to about", expectations, "READING_NOISE_KM", "{:g} km", TUNED),
    Figure("A date without a time of day is off by about", expectations, "CLOCK_NOISE_D",
           "{:g} days", TUNED),
    Figure("Least that a meter's scatter counts, relative to the usual",
           expectations, "LEAST_SCATTER", PLAIN, TUNED),
    Figure("Most that it counts", expectations, "MOST_SCATTER", PLAIN, TUNED),
    Figure("Rounding may let a reading fall by", expectations, "FALL_KM", "{:g} km", TUNED),
    Figure("Two readings on one day still allow driving of",
           expectations, "SHORTEST_STEP_D", "{:g} days", TUNED),
    Figure("An hour meter can gain a day at most", judge, "TOP_H_PER_DAY", "{:g} h",
           "hours of a day; for distance each vehicle type states its own"),
)  # fmt: skip
DUTY = (
    Figure("Share of a criterion's window that must be measured, else declared use stands in",
           duty, "MEASURED_SHARE", SHARE, OUR_CHOICE),
    Figure("Back to normal below so much of every share limit",
           duty, "CALM_SHARE", SHARE, OUR_CHOICE),
    Figure("Months below that it takes", duty, "CALM_MONTHS", PLAIN, OUR_CHOICE),
)  # fmt: skip
DATES = (
    Figure("Chance that the limit is reached before the earliest likely, the expected and the "
           "latest likely day", due, "LEVELS", "{0[0]:.0%}; {0[1]:.0%}; {0[2]:.0%}", OUR_CHOICE),
    Figure("“No limit in sight” beyond", passage, "LATEST_D", "{:,.0f} days", OUR_CHOICE),
    Figure("“Take a reading first” when the band is wider than",
           forecast, "WIDE_BAND_D", "{:g} days", OUR_CHOICE),
    Figure("A service may be done early, before its due date, by (unless it states its own)",
           Service._meta.get_field("early_share"), "default", "{:.0%} of its interval",
           OUR_CHOICE),
)  # fmt: skip
PROOF = (
    Figure("Distances ahead that forecasts are scored at", settings, "BACKTEST_DISTANCES_KM",
           "{} km", SETTING),
    Figure("A forecast is scored over", replay, "FOLLOW_UP_D", "{:g} days", OUR_CHOICE),
    Figure("Vehicles replayed at most; of more, a fixed random sample", backtest, "MOST_VEHICLES",
           "{:,}", OUR_CHOICE),
    Figure("Vehicles in the monthly look back at most", widen, "MOST_VEHICLES", "{:,}", OUR_CHOICE),
    Figure("The look back counts outcomes of the last", widen, "OUTCOME_MONTHS", "{} months",
           OUR_CHOICE),
    Figure("The look back decides nothing below",
           widening, "FEWEST_FORECASTS", "{} forecasts", OUR_CHOICE),
    Figure("and below", widening, "FEWEST_VEHICLES", "{} vehicles", OUR_CHOICE),
    Figure("Bands are widened when fewer fell inside than", widening, "LEAST_SHARE", SHARE,
           OUR_CHOICE),
    Figure("Widened bands hold", widening, "WANTED_SHARE", SHARE, OUR_CHOICE),
    Figure("Bands are never widened by more than a factor of",
           widening, "MOST_WIDENING", PLAIN, OUR_CHOICE),
    Figure("The factor is rounded up to", widening, "STEP", PLAIN, OUR_CHOICE),
)  # fmt: skip
WORK = (
    Figure("An order is drafted when its first service may fall due within",
           settings, "DRAFT_AHEAD_DAYS", "{} days", SETTING),
    Figure("An overdue service without an answer goes further up after",
           escalate, "PATIENCE_DAYS", "{} working days", OUR_CHOICE),
    Figure("Coolant stands the coldest mean daily minimum of its depot less",
           frost, "MARGIN_C", "{:g} °C", OUR_CHOICE),
    Figure("and freezes at the latest at", frost, "WARMEST_C", "{:g} °C", OUR_CHOICE),
    Figure("A leak is re-checked after", findings, "RE_CHECK_DAYS", "{} days", OUR_CHOICE),
    Figure("A torque is asked about again when off by (unless its step states a tolerance)",
           slips, "TORQUE_TOLERANCE", SHARE, OUR_CHOICE),
    Figure("A slip of unit or decimal point is named when it fits within",
           slips, "SLIP_SHARE", SHARE, OUR_CHOICE),
    Figure("Less drained than this proposes a finding",
           fluids, "LITTLE_DRAINED", "{:.0%} of the refill", OUR_CHOICE),
    Figure("More drained than this proposes a finding",
           fluids, "MUCH_DRAINED", "{:.0%} of the refill", OUR_CHOICE),
    Figure("Fluid consumption is reported above", consumption, "LITRES_PER_1000_KM",
           "{:g} L per 1,000 km", OUR_CHOICE),
    Figure("Consumption is not judged below", consumption, "SHORTEST_KM", "{:g} km", OUR_CHOICE),
)  # fmt: skip
STORES = (
    Figure("Vehicles of a type at a depot share busy and slack months, by a spread of",
           common_factor, "USUAL_SIGMA", SHARE, "our choice until 12 months are known"),
    Figure("learnt from so many months on", common_factor, "MONTHS_TO_LEARN", PLAIN, OUR_CHOICE),
    Figure("and never above", common_factor, "MOST_SIGMA", SHARE, OUR_CHOICE),
    Figure("Parts that break and parts that do not, before any record: broken",
           breakage, "PRIOR_BROKEN", PLAIN, OUR_CHOICE),
    Figure("and whole", breakage, "PRIOR_WHOLE", PLAIN, OUR_CHOICE),
    Figure("A record of a top-up counts half after",
           breakage, "HALF_LIFE_D", "{:g} days", OUR_CHOICE),
    Figure("A stated use per km counts like records over",
           learn, "PRIOR_KM", "{:,.0f} km", OUR_CHOICE),
    Figure("Fluids are counted in steps of", recipes, "FLUID_STEP_ML", "{:g} mL", OUR_CHOICE),
)  # fmt: skip
USUAL = Workshop()
OF_A_DEPOT = "our choice; a setting of the depot"
DAYS = (
    Figure("A plan looks ahead", plan, "DAYS", "{} days", OUR_CHOICE),
    Figure("A night moves no visit nearer than", gather, "FROZEN_D", "{} days", OUR_CHOICE),
    Figure("Of a day's minutes, kept for unplanned work", USUAL, "kept_share", SHARE, OF_A_DEPOT),
    Figure("A workshop is open", USUAL, "opening_min", "{} min a day", OF_A_DEPOT),
    Figure("Setting up takes, of each visit", USUAL, "set_up_min", "{} min", OF_A_DEPOT),
    Price("A visit costs by itself", USUAL, "visit_minor", "{}", OF_A_DEPOT),
    Price("A change that is late costs", USUAL, "late_change_minor", "{} a day", OF_A_DEPOT),
    Price("and a check", USUAL, "late_check_minor", "{} a day", OF_A_DEPOT),
    Price("Lateness costs on top, times the square of its days",
          USUAL, "growing_minor", "{}", OF_A_DEPOT),
    Price("A change done early throws away its share of", USUAL, "change_minor", "{}", OF_A_DEPOT),
    Price("and a check of", USUAL, "check_minor", "{}", OF_A_DEPOT),
    Price("Moving a service off the day it had costs", USUAL, "moved_minor", "{}", OF_A_DEPOT),
    Figure("What is put off beyond a plan bears, of a visit", task, "SHARE_OF_VISIT", SHARE,
           OUR_CHOICE),
    Figure("Minutes of a service: the book counts like", labour, "BOOK_JOBS", "{} jobs",
           OUR_CHOICE),
    Figure("and finished jobs count when there are", labour, "LEAST_JOBS", PLAIN, OUR_CHOICE),
    Figure("Set aside: a job that took so many times the book, or as small a part of it",
           labour, "STRANGE", PLAIN, OUR_CHOICE),
    Figure("Learnt minutes are whole steps of", labour, "STEP_MIN", "{} min", OUR_CHOICE),
    Figure("Jobs count for", learnt, "LOOK_BACK_D", "{} days", OUR_CHOICE),
    Figure("A service without a procedure takes", learnt, "NO_PROCEDURE_MIN", "{} min",
           OUR_CHOICE),
    Figure("A finding takes, until somebody says better", other_work, "FINDING_MIN", "{} min",
           OUR_CHOICE),
    Figure("A finding that wants it soon is due after", other_work, "SOON_D", "{} days",
           OUR_CHOICE),
)  # fmt: skip
TRIALS = (
    Figure("Ratings count once the fluid has run",
           trial_cells, "RUN_IN_KM", "{:,.0f} km", OUR_CHOICE),
    Figure("and has been in for", trial_cells, "RUN_IN_D", "{:g} days", OUR_CHOICE),
    Figure("Bands of fluid age up to the interval", trial_cells, "BANDS", PLAIN, OUR_CHOICE),
    Figure("A band is compared from so many vehicles of each group on",
           trial_cells, "LEAST_VEHICLES", PLAIN, OUR_CHOICE),
    Figure("A difference is shown when chance alone would bring it in at most",
           trial_inference, "LEVEL", SHARE, "common practice, no source"),
    Figure("Vehicles are asked for until the smallest difference is shown in",
           trial_power, "WANTED", SHARE, OUR_CHOICE),
    Figure("Spread between vehicles, until 30 past ratings say",
           trial_power, "BETWEEN_SD", "{:g} grades", OUR_CHOICE),
    Figure("Spread within a vehicle, until 30 past ratings say",
           trial_power, "WITHIN_SD", "{:g} grades", OUR_CHOICE),
    Figure("A longer interval needs vehicles inside every limit at its end, at least",
           approve, "LEAST_SAMPLED", PLAIN, OUR_CHOICE),
    Figure("and of them in severe duty, at least", approve, "LEAST_SEVERE", PLAIN, OUR_CHOICE),
)  # fmt: skip
CHAPTERS = (
    Chapter("How far vehicles run", USAGE),
    Chapter("Classes and seasons", CLASSES),
    Chapter("Readings", READINGS),
    Chapter("Duty class", DUTY),
    Chapter("Due dates", DATES),
    Chapter("Scoring and the look back", PROOF),
    Chapter("Work orders", WORK),
    Chapter("Workshop days", DAYS),
    Chapter("Consumables", STORES),
    Chapter("Field trials", TRIALS),
)
