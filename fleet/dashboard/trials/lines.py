"""What the pages about field trials show, in words and figures ready to print."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.utils.text import slugify

from fleet.dashboard.words import THIN_SPACE, grouped, km, percent, plain
from fleet.stores.money import words
from fleet.trials.details import STANDINGS
from fleet.trials.gather import COUNTS, SIDES
from fleet.trials.listing import counted
from fleet.trials.models import Trial, TrialResult
from fleet.trials.outcome import frozen_of, shown, today_of
from fleet.trials.set_up import needed_in_all

MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True)
class TrialLine:
    """One trial in the list."""

    trial: Trial
    state: str
    vehicles: int
    ratings: int
    verdict: str  # empty before the first result, and for raters of a blinded trial


@dataclass(frozen=True)
class Row:
    """One line of a table that compares both groups."""

    what: str
    usual: str
    tried: str


def state_of(trial: Trial, today: date) -> str:
    frozen = frozen_of(trial)
    if frozen is not None and frozen.state == TrialResult.State.ENDED_EARLY:
        return "ended early"
    if today < trial.starts_on:
        return "not begun"
    return "running" if today <= trial.ends_on else "ended"


def verdict_words(result: TrialResult | None) -> str:
    return "" if result is None else result.verdict


def trial_lines(trials: Sequence[Trial], now: datetime, knows: set[int]) -> list[TrialLine]:
    pks = [trial.pk for trial in trials]
    results = {trial.pk: shown(trial) for trial in trials if trial.pk in knows}
    counts = counted(pks)
    return [
        TrialLine(
            trial,
            state_of(trial, today_of(trial, now)),
            *counts[trial.pk],
            verdict_words(results.get(trial.pk)),
        )
        for trial in trials
    ]


def money(minor: float | None) -> str:
    return "–" if minor is None else words(round(minor))


def signed(number: float | None) -> str:
    """A difference with its sign, to a tenth of a grade and a half."""
    return "–" if number is None else f"{number:+.2f}".replace("-", MINUS)


def one_decimal(number: float | None) -> str:
    return "–" if number is None else f"{number:.1f}"


def sceptics_lines(trial: Trial, result: TrialResult) -> list[str]:
    """What a sceptic would ask, answered before it is asked."""
    details = result.details
    power, vehicles, test = details["power"], details["vehicles"], details["test"]
    lines = [_how_compared(trial)]
    if result.p_value is not None:
        drawn = "each one was looked at" if test["exact"] else "100,000 of them were drawn"
        lines.append(
            f"Had the oil made no difference, a result at least this far from zero would come up "
            f"in {_chance(result.p_value)} of the ways the groups could have been drawn "
            f"({grouped(test['arrangements'])} ways; {drawn})."
        )
    if details["odds"]:
        lines.append(
            "Grades are an order rather than a measure. Read as an order, the odds of a better "
            f"grade are {details['odds']:.1f} times as high with the tried product at equal age."
        )
    lines.append(_power_words(result, power))
    if details["start"]["unequal"]:
        lines.append(
            "Unequal start: only one group got fresh fluid when the trial began. Ages are compared "
            "alike all the same, but the trial is weaker for it."
        )
    if details["warmth"]["apart"]:
        shares = details["warmth"]["cold share"]
        lines.append(
            f"The weather was not alike: {percent(shares['usual'])} of the usual product's "
            f"ratings were given below 15 °C, {percent(shares['tried'])} of the tried one's."
        )
    if sum(vehicles["compared"].values()) < sum(vehicles["drawn"].values()):
        lines.append("Not every vehicle that was drawn is compared; the missing are named below.")
    return [*lines, *details.get("confounds", [])]


def _how_compared(trial: Trial) -> str:
    return (
        f"Ratings of the first {km(trial.run_in_km)} and {trial.run_in_d:g} days are shown but "
        "never compared: any fresh fluid feels better. Later ones are compared only with ratings "
        f"at the same fluid age, up to {km(trial.interval_km)}."
    )


def _chance(p_value: float) -> str:
    return "less than 1 in 1,000" if p_value < 0.001 else f"{p_value * 100:.1f}{THIN_SPACE}%"


def _power_words(result: TrialResult, power: dict[str, Any]) -> str:
    needed = result.vehicles_needed
    wanted = f"{needed} vehicles were asked for" if needed else "no fleet has vehicles enough"
    return (
        f"With the vehicles compared now, a true difference of {power['difference']:g} would be "
        f"shown {percent(power['reached'])} of the time; {wanted}. Because grades end at 5, such a "
        f"difference reads as {power['effect_left']:.2f} in the ratings."
    )


def standing_rows(result: TrialResult) -> list[Row]:
    ratings = result.details["ratings"]
    rows = [
        Row(words.capitalize(), *(str(ratings[side]["by standing"][words]) for side in SIDES))
        for words in STANDINGS.values()
        if any(ratings[side]["by standing"][words] for side in SIDES)
    ]
    given = Row("Given in all", *(str(ratings[side]["given"]) for side in SIDES))
    expected = Row(
        "After run-in, as planned by now",
        *(str(ratings[side]["expected so far"]) for side in SIDES),
    )
    return [*rows, given, expected]


def missing_lines(result: TrialResult) -> list[tuple[str, str]]:
    """Vehicles that are not compared, with the reason; and who never got the fresh change."""
    vehicles, start = result.details["vehicles"], result.details["start"]
    named = [
        (words, vehicles[words])
        for words in (
            "never rated",
            "rated, but never after run-in",
            "without a counterpart at the same fluid age",
        )
    ]
    late = sorted(start["not changed"]["usual"] + start["not changed"]["tried"])
    named.append(("no fresh change of its own product at the start", late))
    return [(words.capitalize(), ", ".join(numbers)) for words, numbers in named if numbers]


def band_rows(result: TrialResult) -> list[dict[str, Any]]:
    return [
        {
            "ages": f"{grouped(band['from_km'])} to {km(band['to_km'])}",
            "compared": band["compared"],
            **{
                side: f"{one_decimal(band[side]['mean'])} ({band[side]['vehicles']})"
                for side in SIDES
            },
        }
        for band in result.details["bands"]
    ]


def trend_row(result: TrialResult) -> Row:
    """Whether ratings fall with age, in words, for both groups."""
    return Row("Falls with age", *(_trend(result.details["trends"][side]) for side in SIDES))


def _trend(trend: dict[str, Any]) -> str:
    if trend["p_value"] is None:
        return (
            f"not tested: {_vehicles(trend['vehicles'])} rated in all of "
            f"{trend['bands']} band{'' if trend['bands'] == 1 else 's'} "
            "(4 vehicles and 3 bands are needed)"
        )
    word = "yes" if trend["p_value"] <= 0.05 else "not shown"
    left = f", {len(trend['left out'])} incomplete" if trend["left out"] else ""
    return f"{word} (p {trend['p_value']:.3f}; {_vehicles(trend['vehicles'])}{left})"


def _vehicles(number: int) -> str:
    return f"{number} vehicle{'' if number == 1 else 's'}"


def none_missing(result: TrialResult) -> bool:
    """Whether both groups gave at least the ratings after run-in that were planned by now."""
    rows = [result.details["ratings"][side] for side in SIDES]
    counts = STANDINGS[COUNTS]
    return all(row["by standing"][counts] >= row["expected so far"] for row in rows)


def pays_at(result: TrialResult) -> list[tuple[str, float]]:
    """From which interval [km] it pays, with the duty that this holds for."""
    paying = result.details["cost"].get("paying") or {"break_even_km": {}}
    found = [(f"in {name} duty", at_km) for name, at_km in paying["break_even_km"].items()]
    return found or ([("", result.break_even_km)] if result.break_even_km else [])


def cost_rows(result: TrialResult) -> list[Row]:
    cost = result.details["cost"]
    usual_km = cost["usual_interval_km"]
    rows = [
        *_break_evens(cost),
        Row("One change, fluid alone", money(cost["usual_fluid_minor"]),
            money(cost["tried_fluid_minor"])),
        Row("One change, all in", money(cost["usual_minor"]), money(cost["tried_minor"])),
        Row(f"Per 1,000 km, changed every {km(usual_km)}", money(cost["usual_per_1000_km"]),
            money(cost["tried_per_1000_km"])),
    ]  # fmt: skip
    if cost["proposed_interval_km"]:
        longer = f"Per 1,000 km, changed every {km(cost['proposed_interval_km'])}"
        rows.append(Row(longer, "–", money(cost["tried_per_1000_km_proposed"])))
    return rows


def _break_evens(cost: dict[str, Any]) -> list[Row]:
    by_class = (cost.get("paying") or {"break_even_km": {}})["break_even_km"]
    return [Row(f"Breaks even in {name} duty", "–", km(at_km)) for name, at_km in by_class.items()]


def lab_rows(result: TrialResult) -> list[dict[str, Any]]:
    return [
        {
            "name": one["property"],
            "unit": one["unit"],
            "chart": f"lab-{slugify(one['property'])}",
            "limits": _limits(one),
            "source": one["source"],
            "correction": one["correction"],
            **{side: _slope(one[side]) for side in SIDES},
        }
        for one in result.details["lab"]
    ]


def _limits(one: dict[str, Any]) -> str:
    ends = [f"at least {plain(one['low'])}"] if one["low"] is not None else []
    ends += [f"at most {plain(one['high'])}"] if one["high"] is not None else []
    return ", ".join(ends)


def _slope(side: dict[str, Any]) -> str:
    count = len(side["points"])
    outside = f"; {side['outside']} outside" if side["outside"] else ""
    if side.get("not corrected"):
        outside += f"; {side['not corrected']} left out, their top-ups cannot be balanced"
    if side["per_1000_km"] is None:
        return f"{count} samples, no slope yet{outside}"
    reach = ""
    if side["low"] is not None:
        reach = f" ({_fine(side['low'])} to {_fine(side['high'])})"
    return f"{_fine(side['per_1000_km'])}{reach}; {count} samples{outside}"


def _fine(number: float) -> str:
    return f"{number:+.2g}".replace("-", MINUS)


def needed_words(trial: Trial) -> str:
    needed = needed_in_all(trial)
    return f"{needed} in all" if needed else "more than 800: out of reach"
