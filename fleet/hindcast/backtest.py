"""Replay the fleet's own readings and say how good the program's dates would have been.

Odometers only: services by running hours rest on the same filter. Past readings count with the
verdicts they have today.
"""

from datetime import date, timedelta
from typing import Any

import numpy as np
from django.conf import settings

from fleet.calc import scores
from fleet.calc.arrays import Array
from fleet.calc.class_rates import UNKNOWN_SPREAD
from fleet.calc.replay import Cases, Histories, Plan, month_numbers, replay
from fleet.calc.scores import Scored
from fleet.due.models import BacktestResult, GuardFactor
from fleet.faults import Fault
from fleet.hindcast.histories import Meters, gather_histories, gather_meters
from fleet.runs.ledger import Progress, silent
from fleet.today import newest_day
from fleet.vehicles.models import Depot

Figures = dict[str, Any]

HORIZONS_D = (30, 90, 180, 365)  # our choice
MOST_VEHICLES = 20_000  # a larger fleet is sampled; our choice
SEED = 20_000  # of the sample; any fixed number
FOLLOW_UP_MONTHS = 12  # our choice
# Readings a forecast rested on: up to and including each; our choice.
READING_BANDS = {"1": (1, 1), "2-4": (2, 4), "5-12": (5, 12), "13-36": (13, 36), "37+": (37, 10**9)}
NEW_WITH_CLASS = "1-4 with class rate"
PIT_BARS = 20


class NothingToScore(Fault):
    """No forecast has a year of readings after it."""


def backtest(
    vehicle_class: str = "",
    as_of_on: date | None = None,
    progress: Progress = silent,
    most_vehicles: int = MOST_VEHICLES,
) -> Figures:
    """Score what would have been forecast at every month end with a year of readings after it.

    Parameters
    ----------
    vehicle_class
        ``type`` or ``type@depot``; empty for the whole fleet.
    as_of_on
        Readings count up to this day; default today.

    Raises
    ------
    Fault
        Nothing to score, or no such class.
    """
    until_on = as_of_on or newest_day_of_fleet()
    return scored(vehicle_class, until_on, progress, most_vehicles)[0]


def newest_day_of_fleet() -> date:
    """Today, where it comes first."""
    return newest_day(Depot.objects.values_list("zone", flat=True))


def scored(
    vehicle_class: str, until_on: date, progress: Progress, most_vehicles: int
) -> tuple[Figures, Cases]:
    """The figures, and the forecasts they are made from."""
    progress(0.0, "readings")
    every, meters, cases = replayed(vehicle_class, until_on, progress, most_vehicles)
    sampled = len(meters) < every
    figures = {
        "as_of": until_on.isoformat(),
        "class": vehicle_class,
        "vehicles": len(meters),
        "vehicles_in_all": every,
        "sampled": sampled,
        "seed": SEED if sampled else None,
        "forecasts": len(cases.meter),
        **_span(cases),
        **summary(cases, meters),
    }
    return figures, cases


def replayed(
    vehicle_class: str, until_on: date, progress: Progress, most_vehicles: int
) -> tuple[int, Meters, Cases]:
    """Number of vehicles in all, those replayed, and the scored forecasts."""
    every = gather_meters(vehicle_class)
    meters = every.sample(most_vehicles, SEED)
    histories = gather_histories(meters, until_on)
    plan = plan_for(histories, until_on)

    def tell(share: float) -> None:
        progress(0.1 + 0.9 * share, "replay")

    cases = replay(histories, plan, progress=tell) if len(plan.months) else None
    if cases is None or not len(cases.meter):
        raise NothingToScore(
            "Nothing to score yet: no vehicle has an accepted reading with a year of readings "
            f"after it up to {until_on}."
        )
    return len(every), meters, cases


def plan_for(histories: Histories, until_on: date) -> Plan:
    """Every month end that a year of readings can follow."""
    end = int(np.datetime64(until_on, "M").astype(np.int64)) - FOLLOW_UP_MONTHS
    first = month_numbers(histories.events.at_d).min(initial=end + 1)
    chosen = np.arange(first, end + 1)
    return Plan(
        months=chosen,
        distances_km=np.array(settings.BACKTEST_DISTANCES_KM, dtype=np.float64),
        horizons_d=np.array(HORIZONS_D, dtype=np.float64),
        widening=_widening_at(chosen),
    )


def _widening_at(months: Array) -> Array:
    """Guard's factor in force at each month end."""
    rows = list(GuardFactor.objects.values_list("month_end_on", "factor"))
    known = np.array([np.datetime64(on, "M").astype(np.int64) for on, _ in rows], dtype=np.int64)
    factors = np.array([1.0] + [factor for _, factor in rows])
    return np.asarray(factors[np.searchsorted(known, months, side="right")])


def _span(cases: Cases) -> Figures:
    ends = np.array([cases.month.min(), cases.month.max()]) + 1
    first, last = (ends.astype("M8[M]").astype("M8[D]") - 1).tolist()
    return {"first_month_end": first.isoformat(), "last_month_end": last.isoformat()}


# --- figures -----------------------------------------------------------------------------
def summary(cases: Cases, meters: Meters) -> Figures:
    """Figures of all forecasts, by class, and by the number of readings behind them."""
    every = np.ones(len(cases.meter), dtype=bool)
    of_class = meters.class_row[cases.meter]
    classes = {name: of_class == row for row, name in meters.names.items()}
    return {
        "distance": by_distance(cases, every),
        "horizon": by_horizon(cases, every),
        "by_class": {name: by_distance(cases, rows) for name, rows in classes.items()},
        "by_readings": {
            name: by_distance(cases, rows) for name, rows in _by_readings(cases, meters).items()
        },
        "pit": {
            "distance": dict(zip(_distances(), _bars(cases.distance), strict=True)),
            "horizon": dict(zip(map(str, HORIZONS_D), _bars(cases.horizon), strict=True)),
        },
    }


def _by_readings(cases: Cases, meters: Meters) -> dict[str, Array]:
    bands = {
        name: (cases.readings >= low) & (cases.readings <= high)
        for name, (low, high) in READING_BANDS.items()
    }
    known_class = meters.spread[cases.meter] != UNKNOWN_SPREAD
    return bands | {NEW_WITH_CLASS: (cases.readings <= 4) & known_class}


def _distances() -> list[str]:
    return [str(int(km)) for km in settings.BACKTEST_DISTANCES_KM]


def by_distance(cases: Cases, rows: Array) -> Figures:
    """Figures for each distance, days capped at a year."""
    return {
        name: _figures(cases.distance, rows, column, "days")
        | _within_year(cases.distance, rows, column)
        for column, name in enumerate(_distances())
    }


def by_horizon(cases: Cases, rows: Array) -> Figures:
    """Figures for each number of days ahead, in km."""
    return {
        str(days): _figures(cases.horizon, rows, column, "km")
        for column, days in enumerate(HORIZONS_D)
    }


def _figures(scored: Scored, rows: Array, column: int, unit: str) -> Figures:
    own = scored.own[rows, column]
    return {
        "n": len(own),
        "crps": _mean(own),
        "skill_last_90": _number(scores.skill(own, scored.last_90[rows, column])),
        "skill_lifetime": _number(scores.skill(own, scored.lifetime[rows, column])),
        "coverage_80": _mean(scored.in_80[rows, column]),
        "coverage_95": _mean(scored.in_95[rows, column]),
        f"bias_{unit}": _mean(scored.error[rows, column]),
        f"miss_{unit}": _mean(np.abs(scored.error[rows, column])),  # of the expected one alone
    }


def _within_year(scored: Scored, rows: Array, column: int) -> Figures:
    """The same coverage where the whole band lies within the year, so nothing is capped."""
    closed = rows & ~scored.open_end[:, column]
    return {
        "n_within_year": int(closed.sum()),
        "coverage_80_within_year": _mean(scored.in_80[closed, column]),
        "coverage_95_within_year": _mean(scored.in_95[closed, column]),
    }


def _bars(scored: Scored) -> list[list[float]]:
    total = np.maximum(scored.cells.sum(axis=1, keepdims=True), 1)
    bars = scored.cells.reshape(len(scored.cells), PIT_BARS, -1).sum(axis=2) / total
    rounded: list[list[float]] = np.round(bars, 6).tolist()
    return rounded


def _mean(values: Array) -> float | None:
    return _number(float(values.mean())) if len(values) else None


def _number(value: float) -> float | None:
    return round(value, 6) if np.isfinite(value) else None


# --- stored ------------------------------------------------------------------------------
def keep(result: Figures) -> BacktestResult:
    """Store a result for the pages; one per class and day."""
    kept, _ = BacktestResult.objects.update_or_create(
        vehicle_class=result["class"],
        as_of_on=date.fromisoformat(result["as_of"]),
        defaults={"result": result},
    )
    return kept


def newest(vehicle_class: str = "") -> BacktestResult | None:
    """The newest stored result of a class, None if there is none yet."""
    rows = BacktestResult.objects.filter(vehicle_class=vehicle_class)
    return rows.order_by("-as_of_on").first()


def month_end_before(on: date) -> date:
    """The last day of the month before the one of a day."""
    return on.replace(day=1) - timedelta(days=1)
