"""Levels and chains of the demand forecast: how long a year of counts takes for a fleet."""

import time

import numpy as np

from fleet.calc import usage
from fleet.calc.demand import counts_before, month_edges
from fleet.calc.level_paths import level_paths
from tests.bench.fleet import SERVICES
from tests.bench.measure import report
from tests.calc.demand_cases import services, steady

VEHICLES_AT_ONCE = 2_000  # as the verb takes them
MONTHS = 12
MARK_S = 5.0  # for 20,000 vehicles x 6 services x 12 months on one core


def run(vehicles: int) -> None:
    before = time.process_time()
    counted = sum(
        _count(min(VEHICLES_AT_ONCE, vehicles - begin), seed=begin)
        for begin in range(0, vehicles, VEHICLES_AT_ONCE)
    )
    taken_s = time.process_time() - before
    print(f"  {vehicles:,} vehicles, {counted:,.0f} services expected in a year")
    report("levels and chains, CPU", taken_s, MARK_S * vehicles / 20_000, "s")


def _count(n: int, seed: int) -> float:
    """Expected services of some vehicles within a year."""
    rng = np.random.default_rng(seed)
    state = usage.start(np.zeros(n), np.zeros(n), rng.uniform(60, 160, n), 0.15)
    _, edges_d = month_edges(0, MONTHS)
    km = level_paths(usage.law(state), state.last_at_d, 0.0, float(edges_d[-1]))
    every_km = np.tile([limit_km or np.nan for _, limit_km, _ in SERVICES], n)
    months = np.tile([float(months) for _, _, months in SERVICES], n)
    life = rng.random(len(months))
    rows = services(
        len(months),
        km_meter=np.repeat(np.arange(n), len(SERVICES)),
        km_left=every_km * life,
        km=every_km,
        months=months,
        calendar_on=np.datetime64("1970-01-01") + (months * 30 * life).astype("m8[D]"),
    )
    found = counts_before(rows, km, steady(1, 1), 0, edges_d)
    return float(found[:, -1].mean(axis=1).sum())
