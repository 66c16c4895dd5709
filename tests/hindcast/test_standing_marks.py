"""Pass marks on generated fleets whose vehicles stand for weeks and months at a time.

Spells come about every second year and last 45 days on average, of which the program knows
nothing. Without the rules of `fleet.calc.standing` the 80 % band after a month without a km held
.49, .53, .59 and .73 of these vehicles at the four distances (measured).
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fleet.calc import scores
from fleet.calc.replay import Plan, replay
from tests.generator import HARSHNESS, START_D, generate, histories, readings
from tests.hindcast.test_pass_marks import (
    DISTANCES_KM,
    JUDGED,
    PATHS,
    SEEDS,
    VEHICLES,
    YEARS,
    Made,
    happened_d,
)
from tests.oracle import oracle

RULES = replace(HARSHNESS["middle"], parked_per_year=0.5, parked_d=45.0)
MONTH_D = 30


@cache
def made(seed: int) -> Made:
    fleet = generate(RULES, VEHICLES, YEARS, seed)
    known = histories(fleet, readings(fleet, seed + 10))
    plan = Plan(JUDGED, DISTANCES_KM, np.array([30.0]), np.ones(JUDGED.size))
    return Made(fleet, known, replay(known, plan))


def origin_days(it: Made) -> np.ndarray:
    return np.rint(it.cases.origin_d - START_D).astype(int)


def after_a_month_without_km(seed: int) -> np.ndarray:
    """Which outcomes lay inside the 80 % band, of vehicles that had stood for 30 days."""
    it = made(seed)
    day, total = origin_days(it), it.fleet.total_km
    before = np.maximum(day - MONTH_D, 0)
    stood = total[it.cases.meter, day] == total[it.cases.meter, before]
    inside: np.ndarray = it.cases.distance.in_80[stood]
    return inside


@pytest.mark.parametrize("seed", SEEDS)
def test_spells_of_standing_leave_three_quarters_of_the_attainable_skill(seed: int) -> None:
    it = made(seed)
    picked = np.arange(seed % 2, len(it.cases.meter), 2)
    day = origin_days(it)[picked]
    known = oracle(it.fleet, it.cases.meter[picked], day, DISTANCES_KM, PATHS, seed)
    truth_d, ours = happened_d(it, picked), it.cases.distance
    for at in range(DISTANCES_KM.size):
        rival = ours.last_90[picked, at]
        attainable = scores.skill(scores.crps(known[:, at], truth_d[:, at]), rival)
        assert scores.skill(ours.own[picked, at], rival) >= 0.76 * attainable


def test_after_a_month_without_km_the_band_holds_what_it_promises() -> None:
    # The seeds together: one has some thirty such vehicles.
    inside = np.concatenate([after_a_month_without_km(seed) for seed in SEEDS])
    assert len(inside) > 150
    assert inside.mean(axis=0).min() >= 0.76
