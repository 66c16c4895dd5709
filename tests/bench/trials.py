"""Field trials in simulation: how often nothing is called something, and something is found."""

from dataclasses import replace

import numpy as np

from fleet.calc.trial_cells import Ages, BoolArray, band_of, cells, compare
from fleet.calc.trial_inference import LEVEL, Groups, infer, is_over
from fleet.calc.trial_power import Plan, vehicles_needed
from tests.bench.measure import report
from tests.calc.trial_world import Ratings, World, groups_of, ratings, shown_share

SEEDS, TRIALS = (31, 32, 33, 34), 1_000
WORLDS = {
    "both groups changed": World(),
    "only one group changed": World(only_b_changed=True),
    "short, one group changed": World(length_d=120, only_b_changed=True),
    "slow vehicles, one group changed": World(km_per_day=(12, 30), only_b_changed=True),
    "worn fast, one group changed": World(worn=2.5, only_b_changed=True, length_d=150),
    "four and four": World(per_group=4),
}


def night_by_night(world: World, trials: int, seed: int, planned: int) -> tuple[float, float]:
    """Shares of null trials that show a difference by the program's rule at any night, and were
    every fourth week's look believed."""
    rng, groups = np.random.default_rng(seed), groups_of(world)
    by_rule, believed = 0, 0
    for _ in range(trials):
        found = ratings(world, groups.in_b, rng)
        given_d = found.changed_d + found.age_d
        nights = np.arange(1, round(world.length_d) + 2)
        end = next(
            night for night in nights if _over(world, found, given_d < night, night, planned)
        )
        at_end = _shows(world, groups, found, given_d < end)
        looks = nights[28:end:28]
        by_rule += at_end
        believed += at_end or any(_shows(world, groups, found, given_d < look) for look in looks)
    return by_rule / trials, believed / trials


def _over(world: World, found: Ratings, given: BoolArray, night: int, planned: int) -> bool:
    counted = np.bincount(found.vehicle[given], minlength=2 * world.per_group)
    return is_over(night > world.length_d, counted, planned)


def _shows(world: World, groups: Groups, found: Ratings, given: BoolArray) -> bool:
    band = band_of(found.age_km[given], found.age_d[given], Ages(world.interval_km))
    cell = cells(found.vehicle[given], band, found.value[given], groups.in_b.size)
    compared = compare(cell, groups.in_b, groups.stratum)
    return infer(compared, groups, seed=1, draws=999).p_value <= LEVEL


def run(_: int) -> None:
    """Print each share beside its mark; the number of vehicles of the fleet plays no part."""
    for name, world in WORLDS.items():
        shares = [shown_share(world, TRIALS, seed) for seed in SEEDS]
        report(f"called a product effect, {name} (worst of {len(SEEDS)})", max(shares), 0.06)
        report(f"called a product effect, {name} (all)", sum(shares) / len(shares), 0.06)
    for planned in (8, 99):  # ratings of each vehicle: most trials end early by them, or none
        by_rule, believed = night_by_night(World(), TRIALS, 36, planned)
        name = f"null trials looked at every night, {planned} ratings planned"
        report(name, by_rule, 0.06)
        print(f"          (were every fourth week's look believed: {believed:.3f})", flush=True)
    for difference in (1.5, 1.0, 0.7):
        needed = vehicles_needed(Plan(difference=difference))
        world = replace(World(), per_group=needed, better=difference, length_d=200, every_d=23)
        name = f"difference of {difference:g} found with {needed} per group"
        report(name, shown_share(world, TRIALS, 35), 0.8, least=True)
