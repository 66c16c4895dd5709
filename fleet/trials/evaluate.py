"""What a trial shows: gather its ratings, compare at equal fluid age, record the result."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction

from fleet.bulk import Array
from fleet.calc import trial_power
from fleet.calc.trial_cells import Compared, FloatArray, cells, compare
from fleet.calc.trial_inference import Inference, infer
from fleet.calc.trial_odds import proportional_odds
from fleet.calc.trial_power import Plan
from fleet.calc.trial_trend import falls_with_age
from fleet.trials import cost, lab, starts
from fleet.trials.gather import (
    COUNTS,
    EXCLUDED,
    NO_AGE,
    OTHER_FLUID,
    RUN_IN,
    SIDES,
    TOO_OLD,
    Gathered,
    gather,
    keep_ages,
)
from fleet.trials.models import Trial, TrialResult

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
AFTERWARDS = timedelta(days=60)  # in which sheets of an ended trial may still come; our choice
COLD_APART = 0.2  # by which the groups' shares of cold ratings may differ; our choice


def evaluate(trial: Trial, as_of: datetime) -> TrialResult:
    """Bring a trial's result of a day up to date; again on the same day replaces it."""
    gathered = gather(trial, as_of)
    fields = _fields(gathered, as_of)
    with transaction.atomic():
        keep_ages(gathered)
        result, new = TrialResult.objects.get_or_create(
            trial=trial, as_of_on=as_of.date(), defaults=fields
        )
        if not new and any(getattr(result, name) != value for name, value in fields.items()):
            for name, value in fields.items():
                setattr(result, name, value)
            result.save()
    return result


def evaluate_running(as_of: datetime, depot_ids: Sequence[int]) -> int:
    """Evaluate every trial under way with a vehicle at these depots; give their number."""
    under_way = Trial.objects.filter(
        vehicles__vehicle__depot__in=depot_ids,
        starts_on__lte=as_of.date(),
        ends_on__gte=as_of.date() - AFTERWARDS,
    )
    trials = list(under_way.select_related("service").distinct())
    for trial in trials:
        evaluate(trial, as_of)
    return len(trials)


def plan_of(trial: Trial) -> Plan:
    """What the number of vehicles rested on."""
    return Plan(
        difference=trial.smallest_difference,
        pairs=trial.assignment == Trial.Assignment.PAIRS,
        ratings=trial.ratings_per_vehicle,
        missing=trial.missing_share,
        mean=trial.usual_mean,
        between_sd=trial.between_sd,
        within_sd=trial.within_sd,
    )


def needed_in_all(trial: Trial) -> int | None:
    """Vehicles of both groups together: the power answer, at least the smallest design."""
    return None if trial.needed_per_group is None else 2 * trial.needed_per_group


def verdict_of(found: Inference, needed: int | None) -> str:
    """The outcome in words; ``better`` and ``worse`` are said of the tried product."""
    if np.isnan(found.p_value):
        return f"too few vehicles: {needed or 'more than 800'} needed"
    if not (found.low > 0 or found.high < 0):
        return "no difference shown"
    word, sign = ("better", 1) if found.difference > 0 else ("worse", -1)
    ends = sorted((sign * found.low, sign * found.high))
    return f"{word} by {abs(found.difference):.1f} ({ends[0]:.1f} to {ends[1]:.1f})"


def _fields(gathered: Gathered, as_of: datetime) -> dict[str, Any]:
    trial, vehicles = gathered.trial, gathered.vehicles
    counting = gathered.standing == COUNTS
    row, band = gathered.felt.row[counting], gathered.band[counting]
    cell = cells(row, band, gathered.felt.value[counting], len(vehicles.tried))
    compared = compare(cell, vehicles.tried, vehicles.stratum)
    found = infer(compared, gathered.drawn, trial.seed)
    costs, needed = cost.of_trial(trial, gathered.groups), needed_in_all(trial)
    details = {
        "letters": {side: group.letter for side, group in gathered.groups.items()},
        "bands": _bands(gathered, cell, compared),
        "ratings": _ratings(gathered, as_of),
        "vehicles": _vehicles(gathered, compared),
        "trends": {side: _trend(gathered, cell, side) for side in SIDES},
        "warmth": _warmth(gathered, counting),
        "start": starts.of_trial(gathered, as_of),
        "odds": _odds(gathered, compared),
        "test": {"arrangements": float(found.arrangements), "exact": found.exact},
        "power": _power(trial, compared, vehicles.tried),
        "cost": asdict(costs),
        "lab": lab.of_trial(gathered, as_of),
    }
    return {
        **{name: _known(getattr(found, name)) for name in ("difference", "low", "high", "p_value")},
        "verdict": verdict_of(found, needed),
        "vehicles_needed": needed,
        "break_even_km": costs.break_even_km,
        "details": details,
    }


def _known(number: float) -> float | None:
    return float(number) if np.isfinite(number) else None


def _bands(gathered: Gathered, cell: FloatArray, compared: Compared) -> list[dict[str, Any]]:
    edges = gathered.ages.edges_km
    return [
        {
            "from_km": float(edges[at]),
            "to_km": float(edges[at + 1]),
            "compared": bool(compared.counting[at]),
            **{side: _cell(cell[gathered.vehicles.side(side), at]) for side in SIDES},
        }
        for at in range(len(edges) - 1)
    ]


def _cell(values: FloatArray) -> dict[str, Any]:
    there = values[~np.isnan(values)]
    return {"vehicles": len(there), "mean": float(there.mean()) if len(there) else None}


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


def _odds(gathered: Gathered, compared: Compared) -> float | None:
    """How much likelier a better grade is with the tried product, at equal fluid age."""
    row, band = gathered.felt.row, np.maximum(gathered.band, 0)
    kept = (gathered.standing == COUNTS) & compared.used[row] & compared.counting[band]
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
