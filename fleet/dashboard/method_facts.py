"""What the Method page tells: how often dates came true, and every assumption with its source."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from fleet.calc import class_rates, duty, usage, verdicts
from fleet.due import forecast, guard
from fleet.due.models import BacktestResult
from fleet.readings import judge
from fleet.workorders import consumption, escalate, findings

MEASURED = "measured on real city-bus odometers: halving or doubling it costs up to 5 % in score"
OUR_CHOICE = "our choice"


@dataclass(frozen=True)
class Assumption:
    """One figure that the computation rests on."""

    what: str
    value: str
    source: str


@dataclass(frozen=True)
class ScoreLine:
    """How good the dates of one distance (or group) would have been."""

    name: str
    n: int
    coverage_80: float | None
    coverage_95: float | None
    skill_last_90: float | None
    skill_lifetime: float | None
    error_days: float | None  # continuous ranked probability score
    bias_days: float | None


def assumptions() -> list[Assumption]:
    """Every figure, read from the code that uses it."""
    return [*_of_usage(), *_of_readings(), *_of_duty(), *_of_dates(), *_of_work()]


def _of_usage() -> list[Assumption]:
    return [
        Assumption("One day's distance scatters by", f"{usage.NOISE_D:g} days' worth", MEASURED),
        Assumption("A passing excursion of use is", f"{usage.EXCURSION_SD:.0%} of usual", MEASURED),
        Assumption("and lasts about", f"{usage.EXCURSION_D:.0f} days", MEASURED),
        Assumption(
            "The long-run level wanders by", f"{usage.WANDER_PER_D**0.5:.0%} a day", MEASURED
        ),
        Assumption("A class rate needs", f"{class_rates.FEWEST_VEHICLES} vehicles", OUR_CHOICE),
        Assumption(
            "A season must repeat between odd and even years with a correlation of",
            f"{class_rates.SEASON_CORRELATION:g} on {class_rates.SEASON_VEHICLES} vehicles",
            OUR_CHOICE,
        ),
        Assumption(
            "Without any class rate, vehicles of a type differ by about",
            f"{class_rates.UNKNOWN_SPREAD:.0%}",
            OUR_CHOICE,
        ),
    ]


def _of_readings() -> list[Assumption]:
    return [
        Assumption(
            "A reading is plain within", f"{verdicts.PLAIN_Z:g} standard deviations", OUR_CHOICE
        ),
        Assumption(
            "A slip is rejected by itself from a probability of",
            f"{verdicts.SURE_FAULT:.0%}",
            OUR_CHOICE,
        ),
        Assumption("An hour meter can gain at most", f"{judge.TOP_H_PER_DAY:g} h a day", "a day"),
    ]


def _of_duty() -> list[Assumption]:
    return [
        Assumption("Measured months needed of a window", f"{duty.MEASURED_SHARE:.0%}", OUR_CHOICE),
        Assumption(
            "Back to normal below",
            f"{duty.CALM_SHARE:.0%} of every limit for {duty.CALM_MONTHS} months",
            OUR_CHOICE,
        ),
        Assumption(
            "Criteria and their share limits", "see a vehicle's duty class", "beside each of them"
        ),
    ]


def _of_dates() -> list[Assumption]:
    return [
        Assumption(
            "“Take a reading first” from a band of", f"{forecast.WIDE_BAND_D} days", OUR_CHOICE
        ),
        Assumption(
            "Distance and running hours", "the earlier of the two", "measured: 80 % bands hold .81"
        ),
        Assumption("Bands are widened by a factor of", f"{guard.in_force():g}", "this fleet"),
    ]


def _of_work() -> list[Assumption]:
    return [
        Assumption(
            "Orders are drafted",
            f"{settings.DRAFT_AHEAD_DAYS} days ahead",
            f"{OUR_CHOICE}; setting",
        ),
        Assumption(
            "An unanswered overdue service climbs after",
            f"{escalate.PATIENCE_DAYS} working days",
            OUR_CHOICE,
        ),
        Assumption("A leak is looked at again after", f"{findings.RE_CHECK_DAYS} days", OUR_CHOICE),
        Assumption(
            "Oil consumption is reported above",
            f"{consumption.LITRES_PER_1000_KM:g} L per 1,000 km",
            OUR_CHOICE,
        ),
    ]


def by_distance(stored: BacktestResult) -> list[ScoreLine]:
    """One line for each distance that was scored."""
    distances: dict[str, Any] = stored.result["distance"]
    return [_line(f"{int(name):,} km", figures) for name, figures in distances.items()]


def by_group(stored: BacktestResult, group: str, wanted: Collection[str] = ()) -> list[ScoreLine]:
    """One line for each class (or number of readings), at the middle distance."""
    distance = middle_distance(stored)
    lines = [
        _line(name, figures[distance])
        for name, figures in stored.result[group].items()
        if not wanted or name.rpartition("@")[2] in wanted
    ]
    return [line for line in lines if line.n]


def middle_distance(stored: BacktestResult) -> str:
    """The distance that groups are compared at: the second of those scored."""
    names: Sequence[str] = list(stored.result["distance"])
    return names[min(1, len(names) - 1)]


def _line(name: str, figures: dict[str, Any]) -> ScoreLine:
    return ScoreLine(
        name=name,
        n=figures["n"],
        coverage_80=figures["coverage_80"],
        coverage_95=figures["coverage_95"],
        skill_last_90=figures["skill_last_90"],
        skill_lifetime=figures["skill_lifetime"],
        error_days=figures["crps"],
        bias_days=figures["bias_days"],
    )
