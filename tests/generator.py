"""Vehicles that drive by known rules, invented for the tests; the rules are all in ``Rules``.

The program knows nothing of them: its model has neither weekdays nor spells, and was fixed before.

Each day a vehicle drives its level times a weekday factor, a factor of the season and a random
factor; some days it idles (0 km). Its level changes at random times (a new round); at random times
it is parked for weeks. Readings are taken every few days or once a month, sometimes left out,
rounded to whole km or miles.
"""

from dataclasses import dataclass

import numpy as np

from fleet.calc.class_rates import UNKNOWN_SPREAD, class_rates, rate_for
from fleet.calc.replay import Histories, month_numbers, part_of
from fleet.calc.usage import Events, advance, start

Array = np.ndarray
START_D = 17_532  # 2018-01-01, a Monday
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Rules:
    """How a generated fleet drives; all figures invented."""

    class_km_per_day: tuple[float, ...] = (60.0, 110.0, 190.0)
    level_sd: float = 0.30  # of a vehicle's own level about its class, log scale
    weekday: tuple[float, ...] = (1.1, 1.15, 1.15, 1.15, 1.1, 0.8, 0.55)  # Monday first, mean 1
    season: float = 0.1  # relative height of a summer peak
    day_sd: float = 0.45  # of one day's distance, relative
    idle_share: float = 0.03  # days without a km
    changes_per_year: float = 0.3  # of level
    change_sd: float = 0.3  # of a new level about the vehicle's own, log scale
    parked_per_year: float = 0.2  # spells
    parked_d: float = 21.0  # mean length
    most_km: float = 800.0  # of a day: no driver gets further


HARSHNESS = {
    "mild": Rules(season=0.25, changes_per_year=3, change_sd=0.26, parked_per_year=0.3),
    "middle": Rules(season=0.3, changes_per_year=3.2, change_sd=0.27, parked_per_year=0.4),
    "harsh": Rules(
        season=0.35, day_sd=0.5, idle_share=0.05, changes_per_year=3.5, change_sd=0.27,
        parked_per_year=0.5, parked_d=23.0,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Fleet:
    """A generated fleet: what happened each day, and what the rules knew at its end."""

    rules: Rules
    own: Array  # (n,) own level [km/day]
    level: Array  # (n, days) level in force [km/day]
    parked: Array  # (n, days) bool
    total_km: Array  # (n, days + 1) at midnight, before each day
    class_row: Array  # (n,)
    first_day: Array  # (n,) day of the first reading


def day_factors(rules: Rules, days: Array) -> Array:
    """Weekday and season of days since 1970."""
    weekday = np.asarray(rules.weekday)[(days - START_D) % 7]
    season = 1 - rules.season * np.cos(2 * np.pi * (days % DAYS_PER_YEAR) / DAYS_PER_YEAR)
    return weekday / np.mean(rules.weekday) * season


def one_day(
    rules: Rules, level: Array, parked: Array, factor: Array | float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Distances of a day, and level and parked as they are on the next."""
    draw = rng.random(level.shape, dtype=np.float32)
    idle = draw < rules.idle_share
    spread = np.float32(rules.day_sd * np.sqrt(3))  # half the width of a uniform law of that sd
    noise = 1 + spread * (2 * (draw - rules.idle_share) / (1 - rules.idle_share) - 1)
    km = np.where(idle | parked, 0, level * np.asarray(factor, np.float32) * noise)
    km = km.clip(0, rules.most_km)
    draw = rng.random(level.shape, dtype=np.float32)
    until = np.where(parked, 1 - 1 / rules.parked_d, rules.parked_per_year / DAYS_PER_YEAR)
    return km, draw < until


def changed(rules: Rules, level: Array, own: Array, rng: np.random.Generator) -> Array:
    """Levels on the next day: some vehicles begin a new round about their own level."""
    new = rng.random(level.shape, dtype=np.float32) < rules.changes_per_year / DAYS_PER_YEAR
    count = int(new.sum())
    level = level.copy()
    level[new] = own[new] * np.exp(rules.change_sd * rng.standard_normal(count))
    return level


def generate(rules: Rules, vehicles: int, years: int, seed: int) -> Fleet:
    """Drive a fleet day by day; half of it is read from the start, half joins over two years."""
    rng = np.random.default_rng(seed)
    days = int(years * DAYS_PER_YEAR)
    class_row = np.arange(vehicles) % len(rules.class_km_per_day)
    spread = np.exp(rules.level_sd * rng.standard_normal(vehicles))
    own = np.asarray(rules.class_km_per_day)[class_row] * spread
    level, parked = own * np.exp(rules.change_sd * rng.standard_normal(vehicles)), own < 0
    levels, spells = np.empty((2, vehicles, days)), np.empty((vehicles, days), bool)
    total = np.zeros((vehicles, days + 1))
    factors = day_factors(rules, START_D + np.arange(days))
    for day in range(days):
        levels[0][:, day], spells[:, day] = level, parked
        km, parked = one_day(rules, level, parked, factors[day], rng)
        total[:, day + 1] = total[:, day] + km
        level = changed(rules, level, own, rng)
    joins = np.where(rng.random(vehicles) < 0.5, 0, rng.integers(0, 2 * 365, vehicles))
    return Fleet(rules, own, levels[0], spells, total, class_row, joins)


def readings(fleet: Fleet, seed: int, every_d: int | None = None, unit_km: float = 1.0) -> Events:
    """Readings at irregular intervals, one in twelve left out; whole units.

    Three of four vehicles are read about weekly, the others about monthly, or all ``every_d``.
    """
    rng = np.random.default_rng(seed)
    n, days = fleet.level.shape
    about_d = np.where(np.arange(n) % 4, 7, 30) if every_d is None else np.full(n, every_d)
    most = days // int(about_d.min())
    swing = about_d[:, None] * rng.uniform(-0.2, 0.2, (n, most))
    gaps = np.maximum(np.rint(about_d[:, None] + swing), 1).astype(int)
    day = fleet.first_day[:, None] + np.cumsum(gaps, axis=1) - gaps[:, :1]
    kept = (day < days) & ((rng.random((n, most)) > 1 / 12) | (np.arange(most) == 0))
    row, at_day = np.nonzero(kept)[0], day[kept]
    typed = np.floor(fleet.total_km[row, at_day] / unit_km) + 1_000  # meters did not start at 0
    offsets = np.concatenate(([0], np.cumsum(kept.sum(axis=1))))
    return Events.of(offsets, START_D + at_day.astype(float), typed * unit_km)


def histories(fleet: Fleet, events: Events, expected_km_per_day: float = 100.0) -> Histories:
    """What each meter starts with: the class rates of the month ends before its first reading."""
    n = len(fleet.class_row)
    first = events.offsets[:-1]
    rate, spread = np.full(n, expected_km_per_day), np.full(n, UNKNOWN_SPREAD)
    joined = month_numbers(events.at_d[first])
    for month in np.unique(joined):
        end_d = float(np.datetime64(int(month), "M").astype("M8[D]").astype(np.int64))
        stop = np.array([np.searchsorted(events.at_d[a:b], end_d) + a for a, b in
                         zip(events.offsets, events.offsets[1:], strict=False)])  # fmt: skip
        seen = np.flatnonzero(stop > first)
        if not seen.size:
            continue
        begun = start(events.at_d[first[seen]], events.km[first[seen]], 1.0, 1.0)
        state = advance(begun, part_of(events, first[seen] + 1, stop[seen]))
        types = fleet.class_row[seen]
        rows = class_rates(end_d, state.sum_d, state.sum_km, state.last_at_d, types, 0 * types)
        here = np.flatnonzero(joined == month)
        found = rate_for(rows, fleet.class_row[here], 0 * here)
        known = found >= 0
        rate[here[known]], spread[here[known]] = rows.rate[found[known]], rows.spread[found[known]]
    return Histories(events, rate, spread, fleet.class_row)
