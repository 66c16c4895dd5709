"""Pass marks of the forecasts and verdicts on generated fleets: three seeds, three harshnesses.

The forecasts of one year are judged, made when three years of readings were known: so long does a
class need before its season can be told from chance. 200 vehicles give 2,200 forecasts at each
distance, which pins a coverage to about ±.02 (vehicles count, not forecasts). The oracle is asked
for every second one; its skill is then uncertain by about .02.
"""

from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np
import pytest

from fleet.calc import scores
from fleet.calc.km_at import km_at, reached_at_d
from fleet.calc.replay import Cases, Histories, Plan, part_of, replay
from fleet.hindcast import fault_trial
from fleet.hindcast.histories import Meters
from tests.generator import HARSHNESS, START_D, Fleet, generate, histories, readings
from tests.oracle import oracle

DISTANCES_KM = np.array([2_000.0, 5_000.0, 15_000.0, 30_000.0])
VEHICLES, YEARS, PATHS = 200, 5, 100
JUDGED = np.arange(48 * 12 + 36, 48 * 12 + 48)  # the months of 2021
FAULT_MONTHS = np.arange(48 * 12 + 12, 48 * 12 + 48, 3)  # faults are rare: three years, quarterly
SEEDS = (1, 2, 3)
EACH = [(harshness, seed) for harshness in HARSHNESS for seed in SEEDS]


@dataclass(frozen=True)
class Made:
    fleet: Fleet
    histories: Histories
    cases: Cases


@cache
def made(harshness: str, seed: int) -> Made:
    fleet = generate(HARSHNESS[harshness], VEHICLES, YEARS, seed)
    known = histories(fleet, readings(fleet, seed + 10))
    plan = Plan(JUDGED, DISTANCES_KM, np.array([30.0, 365.0]), np.ones(JUDGED.size))
    return Made(fleet, known, replay(known, plan))


def happened_d(made: Made, picked: np.ndarray) -> np.ndarray:
    """Days until each distance was covered, at most 365."""
    rows, origin_d = made.cases.meter[picked], made.cases.origin_d[picked]
    offsets = made.histories.events.offsets
    events = part_of(made.histories.events, offsets[rows], offsets[rows + 1])
    km = km_at(events.offsets, events.at_d, events.km, np.arange(rows.size), origin_d)
    days = [
        reached_at_d(events.offsets, events.at_d, events.km, km + each) - origin_d
        for each in DISTANCES_KM
    ]
    return np.fmin(np.array(days).T, 365.0)


@pytest.mark.parametrize(("harshness", "seed"), EACH)
def test_three_quarters_of_the_attainable_skill_are_reached(harshness: str, seed: int) -> None:
    it = made(harshness, seed)
    picked = np.arange(seed % 2, len(it.cases.meter), 2)
    day = np.rint(it.cases.origin_d[picked] - START_D).astype(int)
    known = oracle(it.fleet, it.cases.meter[picked], day, DISTANCES_KM, PATHS, seed)
    truth_d, ours = happened_d(it, picked), it.cases.distance
    for at in range(DISTANCES_KM.size):
        rival = ours.last_90[picked, at]
        attainable = scores.skill(scores.crps(known[:, at], truth_d[:, at]), rival)
        assert scores.skill(ours.own[picked, at], rival) >= 0.75 * attainable


@pytest.mark.parametrize(("harshness", "seed"), EACH)
def test_the_bands_hold_what_they_promise(harshness: str, seed: int) -> None:
    found = made(harshness, seed).cases.distance
    for in_80, in_95 in zip(found.in_80.T, found.in_95.T, strict=True):
        assert 0.76 <= in_80.mean() <= 0.90
        assert 0.90 <= in_95.mean() <= 0.98


def as_meters(it: Made) -> Meters:
    n = len(it.histories)
    each = {name: np.arange(n) for name in ("id", "vehicle_id", "type_id", "depot_id")}
    return Meters(
        **each,
        class_row=it.histories.class_row,
        rate=it.histories.rate,
        spread=it.histories.spread,
        top_km_per_day=np.full(n, 900.0),
        unit_km=np.ones(n),
        names={},
    )


@cache
def tried(harshness: str, seed: int) -> fault_trial.Figures:
    """All kinds of faults in the first fleet, single ones alone in the others."""
    it = made(harshness, seed)
    plan = Plan(FAULT_MONTHS, DISTANCES_KM, np.array([30.0]), np.ones(FAULT_MONTHS.size))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fault_trial, "plan_for", lambda *_: plan)
        if seed != SEEDS[0]:
            only = {"single faults": fault_trial.TRIALS["single faults"]}
            patch.setattr(fault_trial, "TRIALS", only)
        return fault_trial.trial(as_meters(it), it.histories, date(2022, 12, 31))


@pytest.mark.parametrize("harshness", HARSHNESS)
def test_faults_are_noticed_and_breaks_cost_little(harshness: str) -> None:
    result = tried(harshness, SEEDS[0])
    single = result["trials"]["single faults"]
    assert result["false_alarms"] <= 0.001
    assert single["material"] > 500
    assert single["recall"] >= 0.93
    assert single["right_reason"] >= 0.85
    assert single["false_alarms_beside_faults"] <= 0.002
    late = result["trials"]["back-dated entries"]
    assert late["recall"] >= 0.95
    assert late["right_reason"] >= 0.98  # what does not fit between its neighbours is held for it
    assert late["false_alarms_beside_faults"] <= 0.001
    assert result["trials"]["lasting breaks"]["recall"] >= 0.93
    assert result["trials"]["lasting breaks"]["skill_loss"] <= 0.20


@pytest.mark.parametrize("harshness", HARSHNESS)
def test_single_faults_cost_little_skill(harshness: str) -> None:
    # The three fleets together: a few vehicles decide what one of them loses (.014 to .045).
    trials = [tried(harshness, seed)["trials"] for seed in SEEDS]
    assert np.mean([one["single faults"]["skill_loss"] for one in trials]) <= 0.04
