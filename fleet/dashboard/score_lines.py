"""How often dates came true, as the Method page tells it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from fleet.calc.widening import FEWEST_FORECASTS
from fleet.dashboard.words import km
from fleet.due.models import BacktestResult
from fleet.hindcast import widen
from fleet.hindcast.backtest import NEW_WITH_CLASS

FEW = FEWEST_FORECASTS  # fewer forecasts say little; widening asks for as many: our choice
GROUP_WORDS = {"1": "1 reading", NEW_WITH_CLASS: "of these, 1-4 readings and class rate known"}


@dataclass(frozen=True)
class ScoreLine:
    """How good the dates of one distance, class or number of readings would have been."""

    name: str
    n: int
    coverage_80: float | None
    coverage_95: float | None
    n_closed: int  # of them, whole band within the year of follow-up
    closed_80: float | None
    own_d: float  # of the whole forecast [d]: continuous ranked probability score
    miss_d: float | None  # of its expected day [d], mean; None: scored before that was counted
    last_90_d: float | None  # the same of each plain rule
    lifetime_d: float | None
    saved_last_90: float | None  # share of the rule's error that the expected day saves
    saved_lifetime: float | None
    bias_d: float  # expected day less the day it happened


@dataclass(frozen=True)
class Twentieth:
    """Share of outcomes that fell into one twentieth of their forecasts."""

    low: float
    high: float
    share: float


@dataclass(frozen=True)
class LookBack:
    """What was seen when the program last looked back."""

    month_end_on: date
    forecasts: int
    inside_share: float  # of what came of them, in the bands before any widening


def look_back() -> LookBack | None:
    run = widen.last_done()
    if run is None:
        return None
    forecasts, inside = run.counts.get("forecasts", 0), run.counts.get("inside %", 0)
    return LookBack(run.on, forecasts, inside / 100)


def by_distance(stored: BacktestResult) -> list[ScoreLine]:
    """One line for each distance that was scored."""
    lines = [_line(km(int(name)), row) for name, row in stored.result["distance"].items()]
    return [line for line in lines if line]


def by_class(
    stored: BacktestResult, depots: Mapping[str, str], types: Mapping[str, str]
) -> list[ScoreLine]:
    """One line for each class (type@depot) of some depots, at the middle distance, by the names
    of depots and types; both by their slugs."""
    groups = [(*name.split("@"), rows) for name, rows in stored.result["by_class"].items()]
    named = {
        f"{types.get(kind, kind)}, {depots[at]}": rows for kind, at, rows in groups if at in depots
    }
    return _groups(stored, named)


def by_readings(stored: BacktestResult) -> list[ScoreLine]:
    """One line for each number of readings behind the forecasts, at the middle distance."""
    groups = stored.result["by_readings"].items()
    named = {GROUP_WORDS.get(name, f"{name} readings"): rows for name, rows in groups}
    return _groups(stored, {name.replace("-", "–"): rows for name, rows in named.items()})


def _groups(stored: BacktestResult, groups: dict[str, Any]) -> list[ScoreLine]:
    distance = middle_distance(stored)
    lines = [_line(name, rows[distance]) for name, rows in groups.items()]
    return [line for line in lines if line]


def middle_distance(stored: BacktestResult) -> str:
    """The distance that groups are compared at: the second of those scored."""
    names: list[str] = list(stored.result["distance"])
    return names[min(1, len(names) - 1)]


def twentieths(stored: BacktestResult) -> list[Twentieth]:
    """Where outcomes fell in their forecasts, at the middle distance."""
    shares = stored.result["pit"]["distance"][middle_distance(stored)]
    edges = [row / len(shares) for row in range(len(shares) + 1)]
    return [
        Twentieth(low, high, share)
        for low, high, share in zip(edges, edges[1:], shares, strict=False)
    ]


def _line(name: str, row: dict[str, Any]) -> ScoreLine | None:
    if not row["n"]:
        return None
    miss_d = row.get("miss_days")
    rivals_d = [_rival_d(row["crps"], row[of]) for of in ("skill_last_90", "skill_lifetime")]
    saved = [_saved(miss_d, rival_d) for rival_d in rivals_d]
    return ScoreLine(
        name=name,
        n=row["n"],
        coverage_80=row["coverage_80"],
        coverage_95=row["coverage_95"],
        n_closed=row["n_within_year"],
        closed_80=row["coverage_80_within_year"],
        own_d=row["crps"],
        miss_d=miss_d,
        last_90_d=rivals_d[0],
        lifetime_d=rivals_d[1],
        saved_last_90=saved[0],
        saved_lifetime=saved[1],
        bias_d=row["bias_days"],
    )


def _rival_d(own_d: float, skill: float | None) -> float | None:
    """Mean error of a rule that gives one day: skill = 1 − own / rival."""
    return None if skill is None or skill >= 1 else own_d / (1 - skill)


def _saved(miss_d: float | None, rival_d: float | None) -> float | None:
    """Day against day: a rule without a band is not held against a forecast that has one."""
    return 1 - miss_d / rival_d if miss_d is not None and rival_d else None
