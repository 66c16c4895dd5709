"""Simulated trials: a fresh-fluid effect is not called a product effect, a real one is found."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.trial_cells import Compared
from fleet.calc.trial_inference import Groups, infer
from fleet.calc.trial_power import Plan, vehicles_needed
from tests.calc.trial_world import Ratings, World, groups_of, ratings, shown_share

TRIALS = 1_000
WORLDS = {
    "both groups changed": World(),
    "only one group changed": World(only_b_changed=True),
    "short": World(length_d=120, only_b_changed=True),
    "slow vehicles": World(km_per_day=(12, 30), only_b_changed=True),
}


@pytest.mark.parametrize("name", WORLDS)
def test_the_fresh_fluid_effect_is_not_called_a_product_effect(name: str) -> None:
    assert shown_share(WORLDS[name], TRIALS, seed=20) <= 0.06


def test_plain_means_fall_for_the_fresh_fluid() -> None:
    """T-08: the simulated raters do feel it, so the tests above could fail."""
    world = replace(WORLDS["short"], length_d=42, every_d=7)
    rng, in_b = np.random.default_rng(1), groups_of(world).in_b
    lead = []
    for _ in range(100):
        found = ratings(world, in_b, rng)
        of_b = in_b[found.vehicle]
        lead.append(found.value[of_b].mean() - found.value[~of_b].mean())
    assert np.mean(lead) > 0.3


def test_plain_means_fall_for_unequal_ages_and_scores_within_bands_do_not() -> None:
    world = replace(WORLDS["only one group changed"], worn=2.5, length_d=120, between_sd=0.3)
    rng, groups = np.random.default_rng(2), groups_of(world)
    plain = [_plain_p(ratings(world, groups.in_b, rng), groups) for _ in range(300)]
    assert np.mean(np.array(plain) <= 0.05) > 0.12
    assert shown_share(world, 500, seed=3) <= 0.06


def _plain_p(found: Ratings, groups: Groups) -> float:
    """Compare the means of all that vehicles got after run-in, whatever the fluid's age."""
    late = found.age_km >= 1_000
    count = np.bincount(found.vehicle[late], minlength=groups.in_b.size)
    mean = np.bincount(found.vehicle[late], found.value[late], groups.in_b.size) / count
    every = np.ones(groups.in_b.size, bool)
    centred = groups.in_b - groups.in_b.mean()
    return infer(Compared(np.ones(4, bool), every, mean, centred), groups, 1).p_value


def test_one_point_is_found_with_the_vehicles_asked_for() -> None:
    needed = vehicles_needed(Plan(difference=1.0))
    world = World(per_group=needed, better=1.0, length_d=200, every_d=23)
    assert shown_share(world, 400, seed=4) >= 0.80
