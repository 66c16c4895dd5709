"""Everything that a result of a trial tells beside its verdict, ready to be stored."""

from collections import Counter
from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np

from fleet.calc import trial_power
from fleet.calc.arrays import Array, FloatArray
from fleet.calc.trial_cells import (
    BANDS,
    WARMTHS,
    Compared,
    cells,
    compare,
    seasons_apart,
    with_warmth,
)
from fleet.calc.trial_inference import estimate, infer
from fleet.calc.trial_odds import proportional_odds
from fleet.calc.trial_trend import falls_with_age
from fleet.trials import cost, lab, paying, starts
from fleet.trials.gather import (
    COUNTS,
    EXCLUDED,
    NO_AGE,
    OTHER_FLUID,
    RUN_IN,
    SIDES,
    TOO_OLD,
    Gathered,
)
from fleet.trials.models import Trial
from fleet.trials.outcome import confounds, interim_words, verdict_of
from fleet.trials.seasons import warmth, without_climate
from fleet.trials.set_up import needed_in_all, plan_of

STANDINGS = {
    COUNTS: "after run-in",
    RUN_IN: "inside run-in",
    TOO_OLD: "beyond the interval",
    EXCLUDED: "in an excluded period",
    OTHER_FLUID: "another fluid inside, or not recorded",
    NO_AGE: "fluid age not known",
}
CURVE_POINTS, CURVE_REACH = 7, 1.4  # of the power curve; our choice
MOST_LOG_ODDS = np.log(100)  # beyond, the ratings hardly overlap and no figure holds; our choice
COLD_APART = 0.2  # by which the groups' shares of cold ratings may differ; our choice


def fields(gathered: Gathered, as_of: datetime, *, final: bool) -> dict[str, Any]:
    """The columns of a result: with its verdict and its data only at the end."""
    trial, drawn = gathered.trial, gathered.vehicles
    counting = gathered.standing == COUNTS
    seasons = _seasons(gathered, counting, as_of)
    compared = compare(_cells(gathered, counting, seasons.column), drawn.tried, drawn.stratum)
    found = (
        infer(compared, gathered.drawn, trial.seed) if final else estimate(compared, gathered.drawn)
    )
    costs, needed = cost.of_trial(trial, gathered.groups), needed_in_all(trial)
    told = _told(gathered, as_of, compared, seasons)
    told["test"] = {"arrangements": float(found.arrangements), "exact": found.exact}
    told["cost"] = asdict(costs) | {"paying": _paying(trial, costs)}
    told["confounds"] = confounds(trial, told)
    if final:
        told["data"] = _data(gathered, seasons.column)
    verdict = seasons.verdict(compared) or verdict_of(found, needed)
    return {
        **{name: _known(getattr(found, name)) for name in ("difference", "low", "high", "p_value")},
        "verdict": verdict if final else interim_words(trial),
        "vehicles_needed": needed,
        "break_even_km": costs.break_even_km,
        "details": told,
    }


def _told(
    gathered: Gathered, as_of: datetime, compared: Compared, seasons: "_Seasons"
) -> dict[str, Any]:
    counting = gathered.standing == COUNTS
    by_age = _cells(gathered, counting, gathered.band)
    tried = gathered.vehicles.tried
    return {
        "letters": {side: group.letter for side, group in gathered.groups.items()},
        "bands": _bands(gathered, by_age, seasons.bands(compared)),
        "ratings": _ratings(gathered, as_of),
        "vehicles": _vehicles(gathered, compared),
        "trends": {side: _trend(gathered, by_age, side) for side in SIDES},
        "warmth": _warmth(gathered, counting),
        "seasons": seasons.told(compared, counting),
        "start": starts.of_trial(gathered, as_of),
        "odds": _odds(gathered, compared, seasons.column),
        "power": _power(gathered.trial, compared, tried),
        "lab": lab.of_trial(gathered, as_of),
    }


def _cells(gathered: Gathered, counting: Array, column: Array) -> FloatArray:
    columns = BANDS if column is gathered.band else BANDS * WARMTHS
    row, value = gathered.felt.row[counting], gathered.felt.value[counting]
    return cells(row, column[counting], value, len(gathered.vehicles.tried), columns)


class _Seasons:
    """Whether the groups were changed in different seasons, and how ratings are laid out then."""

    def __init__(self, gathered: Gathered, column: Array, no_climate: list[str]) -> None:
        self.apart = column is not gathered.band
        self.column = column
        self.no_climate = no_climate if self.apart else []

    def verdict(self, compared: Compared) -> str:
        """What stands in the place of a verdict where no season is shared; else empty."""
        if not self.apart or compared.counting.any():
            return ""
        if self.no_climate:
            return f"no verdict: enter the climate of {', '.join(self.no_climate)}"[:200]
        return "seasons do not overlap: no verdict"

    def bands(self, compared: Compared) -> Array:
        """Which bands of fluid age are compared, in any warmth."""
        if not self.apart:
            return compared.counting
        return np.asarray(compared.counting.reshape(BANDS, WARMTHS).any(axis=1))

    def told(self, compared: Compared, counting: Array) -> dict[str, Any]:
        kept = counting & (self.column >= 0)
        kept[kept] = compared.counting[self.column[kept]]
        return {
            "apart": self.apart,
            "left out": int((counting & ~kept).sum()) if self.apart else 0,
            "no climate": self.no_climate,
        }


def _seasons(gathered: Gathered, counting: Array, as_of: datetime) -> _Seasons:
    felt, vehicles = gathered.felt, gathered.vehicles
    changed_d = (felt.at_d - gathered.fluid.age_d)[counting]
    if not seasons_apart(felt.row[counting], changed_d, vehicles.tried):
        return _Seasons(gathered, gathered.band, [])
    warm = warmth(gathered.trial, vehicles.vehicle_id[felt.row], felt.at_d, as_of)
    return _Seasons(gathered, with_warmth(gathered.band, warm), without_climate(gathered.trial))


def _paying(trial: Trial, costs: cost.Costs) -> dict[str, Any] | None:
    if costs.usual_minor <= 0:
        return None
    found = asdict(paying.of_trial(trial, costs.tried_minor / costs.usual_minor))
    return {
        name: list(value) if isinstance(value, tuple) else value for name, value in found.items()
    }  # as JSON gives it back, so that an unchanged result is seen to be


def _data(gathered: Gathered, column: Array) -> list[list[Any]]:
    """What the evaluation rested on: vehicle, day, rating, fluid age, cell and standing."""
    felt, fluid = gathered.felt, gathered.fluid
    return [
        [
            gathered.vehicles.fleet_number[felt.row[at]],
            round(float(felt.at_d[at]), 5),
            int(felt.value[at]),
            _known(fluid.age_km[at]),
            _known(fluid.age_d[at]),
            int(column[at]),
            STANDINGS[int(gathered.standing[at])],
        ]
        for at in range(len(felt.row))
    ]


def _known(number: float) -> float | None:
    return float(number) if np.isfinite(number) else None


def _bands(gathered: Gathered, cell: FloatArray, compared: Array) -> list[dict[str, Any]]:
    edges = gathered.ages.edges_km
    return [
        {
            "from_km": float(edges[at]),
            "to_km": float(edges[at + 1]),
            "compared": bool(compared[at]),
            **{side: _cell(cell[gathered.vehicles.side(side), at]) for side in SIDES},
        }
        for at in range(len(edges) - 1)
    ]


def _cell(values: FloatArray) -> dict[str, Any]:
    given = values[~np.isnan(values)]
    return {"vehicles": len(given), "mean": float(given.mean()) if len(given) else None}


def _ratings(gathered: Gathered, as_of: datetime) -> dict[str, Any]:
    trial = gathered.trial
    length_d = (trial.ends_on - trial.starts_on).days
    share = min(max((as_of.date() - trial.starts_on).days / length_d, 0.0), 1.0)
    told = {}
    for side in SIDES:
        of_side = gathered.vehicles.side(side)
        standing = Counter(gathered.standing[of_side[gathered.felt.row]].tolist())
        told[side] = {
            "by standing": {words: standing[at] for at, words in STANDINGS.items()},
            "given": sum(standing.values()),
            "expected so far": round(share * trial.ratings_per_vehicle * int(of_side.sum())),
        }
    return told


def _vehicles(gathered: Gathered, compared: Compared) -> dict[str, Any]:
    vehicles = gathered.vehicles
    rated = np.bincount(gathered.felt.row, minlength=len(vehicles.tried)) > 0
    counted = np.bincount(gathered.felt.row[gathered.standing == COUNTS], minlength=len(rated)) > 0
    return {
        "drawn": {side: int(vehicles.side(side).sum()) for side in SIDES},
        "compared": {side: int((compared.used & vehicles.side(side)).sum()) for side in SIDES},
        "never rated": vehicles.named(~rated),
        "rated, but never after run-in": vehicles.named(rated & ~counted),
        "without a counterpart at the same fluid age": vehicles.named(counted & ~compared.used),
    }


def _trend(gathered: Gathered, cell: FloatArray, side: str) -> dict[str, Any]:
    of_side = gathered.vehicles.side(side)
    found = falls_with_age(cell[of_side])
    incomplete = of_side.copy()
    incomplete[of_side] = ~found.complete
    return {
        "bands": found.bands,
        "vehicles": int(found.complete.sum()),
        "left out": gathered.vehicles.named(incomplete),
        "statistic": _known(found.statistic),
        "p_value": _known(found.p_value),
    }


def _warmth(gathered: Gathered, counting: Array) -> dict[str, Any]:
    """Share of cold ratings in each group: unlike weather alone can make a difference."""
    shares: dict[str, float | None] = {}
    for side in SIDES:
        here = counting & gathered.felt.with_warmth
        here &= gathered.vehicles.side(side)[gathered.felt.row]
        shares[side] = float(gathered.felt.cold[here].mean()) if here.any() else None
    known = [share for share in shares.values() if share is not None]
    apart = len(known) == 2 and abs(known[0] - known[1]) > COLD_APART
    return {"cold share": shares, "apart": apart}


def _odds(gathered: Gathered, compared: Compared, column: Array) -> float | None:
    """How much likelier a better grade is with the tried product, at equal fluid age."""
    row, band = gathered.felt.row, np.maximum(column, 0)
    kept = (gathered.standing == COUNTS) & (column >= 0) & compared.used[row]
    kept &= compared.counting[band]
    bands = np.unique(band[kept])[1:].tolist()
    design = np.column_stack(
        [gathered.vehicles.tried[row[kept]], *(band[kept] == one for one in bands)]
    )
    slope = proportional_odds(gathered.felt.value[kept], design).slope
    return float(np.exp(slope[0])) if abs(slope[0]) < MOST_LOG_ODDS else None


def _power(trial: Trial, compared: Compared, tried: Array) -> dict[str, Any]:
    """What the trial as it stands would find of the smallest difference that matters."""
    plan = plan_of(trial)
    smaller = int(min((compared.used & tried).sum(), (compared.used & ~tried).sum()))
    reached = trial_power.power(plan, smaller) if smaller >= plan.least else 0.0
    sizes = _sizes(plan.least, max(trial.needed_per_group or 0, smaller))
    return {
        **asdict(plan),
        "effect_left": trial.effect_left,
        "spreads_source": trial.spreads_source,
        "needed_per_group": trial.needed_per_group,
        "compared_per_group": smaller,
        "reached": reached,
        "curve": [[size, trial_power.power(plan, size)] for size in sizes],
        "wanted": trial_power.WANTED,
    }


def _sizes(least: int, most: int) -> list[int]:
    """A few vehicles per group around what is needed, for the curve."""
    last = max(round(CURVE_REACH * most), least + 4)
    return sorted({round(size) for size in np.linspace(least, last, CURVE_POINTS)})
