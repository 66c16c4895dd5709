"""Whether the fleet agrees with itself: each question timed, at a tenth of the fleet and at all."""

import math
from datetime import UTC, datetime, time

from fleet import chain
from fleet.checks import CHECKS
from tests.bench import fleet
from tests.bench.measure import Cost, measured, report
from tests.bench.night import analyze, empty

WHOLE_S = 120.0  # at 10,000 vehicles


def run(vehicles: int, weeks: int = 8) -> None:
    small, large = _costs(vehicles // 10, weeks), _costs(vehicles, weeks)
    report("check of the whole fleet", sum(cost.wall_s for cost in large.values()),
           WHOLE_S * max(vehicles / 10_000, 1), "s")  # fmt: skip
    for name, cost in large.items():
        grown = math.log10(max(cost.wall_s, 1e-3) / max(small[name].wall_s, 1e-3))
        print(f"      {name}: {cost.wall_s:.2f} s, {cost.peak_mb:.0f} MB, exponent {grown:.2f}")


def _costs(vehicles: int, weeks: int) -> dict[str, Cost]:
    empty()
    fleet.build(vehicles, weeks)
    on = fleet.first_of_month_after_last()
    chain.nightly(on)
    analyze()
    found = {}
    for name, _, find in CHECKS:
        with measured() as cost:
            wrong = sum(1 for _ in find(datetime.combine(on, time(12), UTC)))
        found[name] = cost
        print(f"      {vehicles:,}, {name}: {cost.wall_s:.2f} s, {wrong} wrong", flush=True)
    return found
