"""A rolling year of a depot, planned anew every week: the plan against three usual practices.

What is driven, how long work takes and what comes in unplanned is drawn, the same for each
practice. All see the same forecast. Days are told a fortnight ahead; usual practices never change
a day they told, the plan may do so a week ahead, at a price it sees.
"""

from dataclasses import fields, replace

import numpy as np

from fleet.calc.arrays import IntArray
from fleet.calc.visit_costs import with_memory
from fleet.calc.visit_effort import Effort
from fleet.calc.visit_naive import each_on_its_day, together
from fleet.calc.visit_plan import plan
from tests.bench import plan as depots
from tests.bench.rolling import TOLD_D, WEEK_D, Monday, Outcome, Way, Workshop, drawn

MOST_VEHICLES, WEEKS, SEEDS = 100, 52, (1, 2, 3, 4, 5)
MIN_PER_VEHICLE = 2.3  # that may be planned on an open day: about eight tenths are used
LEAST_MIN = 230.0  # for a depot of few vehicles: the longest visit must fit
PLAN = "the plan"
EFFORT = Effort(moves=200, more_moves=200, programs=10, more_programs=0, windows=10)


def by_plan(effort: Effort) -> Way:
    """Plan by the program's arithmetic, from the days of a week ago."""

    def way(asked: Monday) -> IntArray:
        before = asked.before.copy()
        at = np.arange(len(before))
        before[~np.isfinite(asked.task.cost_minor[at, np.maximum(before, 0)])] = -1
        cost, out = with_memory(
            asked.task.cost_minor, asked.task.leave_out_minor, before, depots.MOVED_MINOR
        )
        task = replace(asked.task, cost_minor=cost, leave_out_minor=out)
        return plan(task, depots.as_visits(task, before), effort).day

    return way


def _every(asked: Monday) -> IntArray:
    return np.arange(len(asked.before))


PRACTICES: dict[str, Way] = {
    "each on its p50 date": lambda a: each_on_its_day(a.task, a.due_d[:, 1], _every(a)),
    "all due within 30 days": lambda a: together(a.task, a.due_d[:, 1], _every(a)),
    "careful: on its p10 date": lambda a: each_on_its_day(a.task, a.due_d[:, 0], _every(a)),
}


def outcomes(vehicles: int, weeks: int, seed: int, effort: Effort = EFFORT) -> dict[str, Outcome]:
    """What the plan and the practices come to with one seed."""
    truth = drawn(vehicles, weeks, seed, max(LEAST_MIN, float(round(vehicles * MIN_PER_VEHICLE))))
    found = {PLAN: Workshop(truth, by_plan(effort), WEEK_D).run()}
    for name, way in PRACTICES.items():
        found[name] = Workshop(truth, way, TOLD_D).run()
    return found


def run(vehicles: int) -> None:
    """Print the mean over the seeds, and in brackets the least and the most."""
    count = min(vehicles, MOST_VEHICLES)
    by_seed = []
    for seed in SEEDS:
        by_seed.append(outcomes(count, WEEKS, seed))
        _print_seed(seed, by_seed[-1])
    print(f"{count} vehicles, {WEEKS} weeks, {len(SEEDS)} seeds: mean [least to most]")
    for name in by_seed[0]:
        print(f"    {name}")
        for one in fields(Outcome):
            values = [getattr(found[name], one.name) for found in by_seed]
            print(f"        {one.name:<12} {_spread(values)}")
    for name in PRACTICES:
        print(f"    {PLAN} against {name}: {_against(by_seed, name)}")


def _print_seed(seed: int, found: dict[str, Outcome]) -> None:
    for name, one in found.items():
        print(
            f"  seed {seed} {name:<26} cost {one.cost_minor / 100:>10,.0f} visits {one.visits:>5} "
            f"overdue days {one.overdue_d:>7,.0f} broken {one.broken:>4} of {one.told:>4} told, "
            f"moved {one.moved:>3}",
            flush=True,
        )


def _spread(values: list[float]) -> str:
    return f"{np.mean(values):>12,.0f} [{min(values):,.0f} to {max(values):,.0f}]"


def _against(by_seed: list[dict[str, Outcome]], name: str) -> str:
    told = []
    for what in ("cost_minor", "visits", "overdue_d", "broken"):
        pairs = [(getattr(one[PLAN], what), getattr(one[name], what)) for one in by_seed]
        shares = [100 * (ours / theirs - 1) for ours, theirs in pairs if theirs]
        if shares:
            spread = f"{np.mean(shares):+.0f} % [{min(shares):+.0f} to {max(shares):+.0f}]"
        else:
            spread = "none there"
        better = sum(ours < theirs for ours, theirs in pairs)
        told.append(f"{what} {spread}, less in {better} of {len(pairs)}")
    return "; ".join(told)
