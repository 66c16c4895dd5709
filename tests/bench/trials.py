"""Field trials in simulation: how often nothing is called something, and something is found."""

from dataclasses import replace

from fleet.calc.trial_power import Plan, vehicles_needed
from tests.bench.measure import report
from tests.calc.trial_world import World, shown_share

SEEDS, TRIALS = (31, 32, 33, 34), 1_000
WORLDS = {
    "both groups changed": World(),
    "only one group changed": World(only_b_changed=True),
    "short, one group changed": World(length_d=120, only_b_changed=True),
    "slow vehicles, one group changed": World(km_per_day=(12, 30), only_b_changed=True),
    "worn fast, one group changed": World(worn=2.5, only_b_changed=True, length_d=150),
    "four and four": World(per_group=4),
}


def run(_: int) -> None:
    """Print each share beside its mark; the number of vehicles of the fleet plays no part."""
    for name, world in WORLDS.items():
        shares = [shown_share(world, TRIALS, seed) for seed in SEEDS]
        report(f"called a product effect, {name} (worst of {len(SEEDS)})", max(shares), 0.06)
        report(f"called a product effect, {name} (all)", sum(shares) / len(shares), 0.06)
    for difference in (1.5, 1.0, 0.7):
        needed = vehicles_needed(Plan(difference=difference))
        world = replace(World(), per_group=needed, better=difference, length_d=200, every_d=23)
        name = f"difference of {difference:g} found with {needed} per group"
        report(name, shown_share(world, TRIALS, 35), 0.8, least=True)
