"""Put seeded faults into the fleet's clean readings and see what the verdicts make of them.

Nothing is written: accepted readings are spoilt, judged again and replayed in memory. Where an
entry is back-dated, the readings on time are judged first.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from fleet.calc import misreadings, verdicts
from fleet.calc.arrays import Array
from fleet.calc.misreadings import Spoilt
from fleet.calc.replay import Cases, Histories, replay
from fleet.calc.usage import Events
from fleet.calc.verdicts import Batch, Judgement, Memory
from fleet.hindcast.backtest import (
    MOST_VEHICLES,
    SEED,
    NothingToScore,
    newest_day_of_fleet,
    plan_for,
)
from fleet.hindcast.histories import Meters, gather_histories, gather_meters
from fleet.runs.ledger import Progress, silent

Figures = dict[str, Any]

WEEK_D = 7.0  # a fault is material when it is off by more than a week of use; our choice
LEAST_KM_PER_DAY = 1.0  # our choice
TRIALS = {
    "single faults": misreadings.single_faults,
    "lasting breaks": misreadings.lasting_breaks,
    "back-dated entries": misreadings.back_dated,
}


@dataclass(frozen=True)
class Clean:
    """Readings that are taken to be right, and the forecasts they give."""

    meters: Meters
    histories: Histories
    unit_km: Array  # of each reading
    week_km: Array  # of use of its vehicle, for each reading
    now_d: float
    cases: Cases


def fault_trial(
    vehicle_class: str = "", as_of_on: date | None = None, progress: Progress = silent
) -> Figures:
    """Recall, right reason, false alarms and loss of forecast score.

    Raises
    ------
    Fault
        Nothing to score, or no such class.
    """
    until_on = as_of_on or newest_day_of_fleet()
    progress(0.0, "readings")
    meters = gather_meters(vehicle_class).sample(MOST_VEHICLES, SEED)
    return trial(meters, gather_histories(meters, until_on), until_on, progress)


def trial(
    meters: Meters, histories: Histories, until_on: date, progress: Progress = silent
) -> Figures:
    """The same for readings at hand."""
    clean = _clean(meters, histories, until_on)
    as_it_stands = _judged(clean, _untouched(clean))
    result: Figures = {
        "as_of": until_on.isoformat(),
        "seed": SEED,
        "vehicles": len(meters),
        "readings": len(histories.events.km),
        "false_alarms": _share(as_it_stands.verdict != verdicts.ACCEPTED),
        "trials": {},
    }
    for at, (name, spoil) in enumerate(TRIALS.items()):
        progress((at + 1) / (len(TRIALS) + 1), name)
        spoilt = spoil(clean.histories.events, clean.unit_km, SEED + at)
        found = _judged(clean, spoilt)
        result["trials"][name] = _noticed(clean, spoilt, found) | _loss(clean, found, until_on)
    return result


def _clean(meters: Meters, histories: Histories, until_on: date) -> Clean:
    events = replace(histories.events, shift=np.zeros_like(histories.events.shift))
    histories = replace(histories, events=events)
    plan = plan_for(histories, until_on)
    if not len(plan.months):
        raise NothingToScore(f"Nothing to score yet: no year of readings before {until_on}.")
    each = np.diff(events.offsets)
    with_readings = np.flatnonzero(each > 0)
    per_day = np.full(len(each), LEAST_KM_PER_DAY)
    first, last = events.offsets[with_readings], events.offsets[with_readings + 1] - 1
    driven_km, days = events.km[last] - events.km[first], events.at_d[last] - events.at_d[first]
    per_day[with_readings] = np.maximum(driven_km / np.maximum(days, 1), LEAST_KM_PER_DAY)
    return Clean(
        meters=meters,
        histories=histories,
        unit_km=np.repeat(meters.unit_km, each),
        week_km=np.repeat(per_day * WEEK_D, each),
        now_d=float(events.at_d.max()) + 1,
        cases=replay(histories, plan),
    )


def _untouched(clean: Clean) -> Spoilt:
    km = clean.histories.events.km
    no = np.zeros(len(km), dtype=bool)
    return Spoilt(km, np.full(len(km), "", dtype=object), np.zeros(len(km)), no, no)


# --- judge -------------------------------------------------------------------------------
def _judged(clean: Clean, spoilt: Spoilt) -> Judgement:
    """Verdicts on all readings, those entered late judged against their neighbours in time."""
    fixed = np.zeros(len(spoilt.late), dtype=np.int64)
    if spoilt.late.any():
        on_time = np.where(spoilt.late, verdicts.DECIDED_REJECT, 0)
        first = _judge(clean, spoilt, on_time)
        fixed[_misfits(clean, spoilt, first)] = verdicts.DECIDED_HELD
    return _judge(clean, spoilt, fixed)


def _judge(clean: Clean, spoilt: Spoilt, fixed: Array) -> Judgement:
    events, meters = clean.histories.events, clean.meters
    memory = Memory.start(len(meters), meters.rate, meters.spread, meters.top_km_per_day)
    batch = Batch.of(
        events.offsets,
        np.arange(len(events.km)),
        events.at_d,
        spoilt.value_km,
        unit_km=clean.unit_km,
        fixed=fixed,
    )
    return verdicts.judge(memory, batch, clean.now_d)


def _misfits(clean: Clean, spoilt: Spoilt, judged: Judgement) -> Array:
    """Late entries that do not fit between the accepted readings on either side."""
    events = clean.histories.events
    accepted = np.flatnonzero(judged.verdict == verdicts.ACCEPTED)
    late = np.flatnonzero(spoilt.late)
    owner = np.repeat(np.arange(len(clean.meters)), np.diff(events.offsets))
    after = np.searchsorted(accepted, late)
    sides = []
    for place in (after - 1, after):
        inside = np.clip(place, 0, len(accepted) - 1)
        own = (place == inside) & (owner[accepted[inside]] == owner[late])
        for column in (events.at_d, judged.total_km):
            sides.append(np.where(own, column[accepted[inside]], np.nan))
    top = clean.meters.top_km_per_day[owner[late]]
    before_d, before_km, after_d, after_km = sides
    fits = verdicts.fits_between(
        events.at_d[late], spoilt.value_km[late], before_d, before_km, after_d, after_km, top
    )
    return np.asarray(late[~fits])


# --- figures -----------------------------------------------------------------------------
def _noticed(clean: Clean, spoilt: Spoilt, found: Judgement) -> Figures:
    refused = found.verdict != verdicts.ACCEPTED
    words = np.array(verdicts.REASONS, dtype=object)[found.reason]
    faulty = spoilt.kind != ""
    material = faulty & (spoilt.off_km > clean.week_km)
    named = refused & ((words == spoilt.kind) | (spoilt.late & (words == "kept")))
    untouched = ~faulty & ~spoilt.shifted
    kinds = {
        kind: {
            "faults": int((spoilt.kind == kind).sum()),
            "material": int((material & (spoilt.kind == kind)).sum()),
            "recall": _share(refused[material & (spoilt.kind == kind)]),
            "right_reason": _share(named[material & refused & (spoilt.kind == kind)]),
        }
        for kind in sorted(set(spoilt.kind[faulty]))
    }
    return {
        "faults": int(faulty.sum()),
        "material": int(material.sum()),
        "recall": _share(refused[material]),
        "right_reason": _share(named[material & refused]),
        "false_alarms_beside_faults": _share(refused[untouched]),
        "kinds": kinds,
    }


def _loss(clean: Clean, found: Judgement, until_on: date) -> Figures:
    """Relative rise of the mean score at each distance, forecasts of both in common."""
    before = clean.cases
    after = replay(_accepted(clean, found), plan_for(clean.histories, until_on), clean.histories)
    both = _common(before, after)
    clean_score, score = (
        cases.distance.own[rows].mean(axis=0)
        for cases, rows in zip((before, after), both, strict=True)
    )
    each = score / clean_score - 1
    return {"skill_loss": round(float(each.mean()), 6), "loss_by_distance": each.round(6).tolist()}


def _accepted(clean: Clean, found: Judgement) -> Histories:
    events = clean.histories.events
    kept = (found.verdict == verdicts.ACCEPTED) | found.moves_base
    offsets = np.concatenate(([0], np.cumsum(kept)))[events.offsets]
    columns = (events.at_d[kept], found.total_km[kept], found.moves_base[kept])
    return replace(clean.histories, events=Events.of(offsets, *columns))


def _common(before: Cases, after: Cases) -> tuple[Array, Array]:
    keys = [np.stack((cases.meter, cases.month), axis=1) for cases in (before, after)]
    width = int(max(key[:, 0].max(initial=0) for key in keys)) + 1
    flat = [key[:, 1] * width + key[:, 0] for key in keys]
    return np.isin(flat[0], flat[1]), np.isin(flat[1], flat[0])


def _share(rows: Array) -> float | None:
    return round(float(rows.mean()), 6) if len(rows) else None
