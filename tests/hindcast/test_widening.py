"""The monthly widening at work on generated fleets: it mends the next year, and it lets go.

Each month's factor rests on the forecasts whose year had ended by then, as the look back has it.
"""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc import due, usage
from fleet.calc.replay import Cases, Histories, Plan, replay
from fleet.calc.usage import Law, State
from fleet.calc.widening import widened
from fleet.hindcast.widen import OUTCOME_MONTHS
from tests.generator import Fleet, Rules, generate, histories, readings

DISTANCES_KM = np.array([2_000.0, 5_000.0, 15_000.0, 30_000.0])
FIRST = 48 * 12  # January 2018, months since 1970
STEADY = Rules((150.0,), season=0.0, changes_per_year=1.0, change_sd=0.2, parked_per_year=1e-9)


def replayed(known: Histories, months: np.ndarray, widening: np.ndarray) -> Cases:
    return replay(known, Plan(months, DISTANCES_KM, np.array([30.0]), widening))


def factors(cases: Cases, months: np.ndarray) -> np.ndarray:
    """The factor that the look back of each month would have put in force."""
    found = []
    for month in months.tolist():
        newest = month - 12
        known = (cases.month > newest - OUTCOME_MONTHS) & (cases.month <= newest)
        found.append(widened(cases.needed[known], cases.meter[known]).factor)
    return np.array(found)


def year(first: int) -> np.ndarray:
    """Months of a year of the fleet's life, 0 the first."""
    return FIRST + 12 * first + np.arange(12)


def before_and_after(known: Histories, judged: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Share inside the 80 % band at each distance, as computed and widened; and the factor."""
    past = np.arange(FIRST, judged[0] + 1)
    by = factors(replayed(known, past, np.ones(past.size)), judged[:1])[0]
    plain, wide = (replayed(known, judged, np.full(12, one)).distance.in_80 for one in (1.0, by))
    return plain.mean(axis=0), wide.mean(axis=0), float(by)


def fleet_of(rules: Rules) -> Histories:
    fleet = generate(rules, 60, 4, seed=5)
    return histories(fleet, readings(fleet, seed=6))


def half_as_wide(state: State) -> Law:
    """Forecasts that are twice as sure as they should be."""
    law = usage.law(state)
    spread = {name: 0.25 * getattr(law, name) for name in ("hh", "hg", "gg", "noise", "spells")}
    return replace(law, **spread)


def test_forecasts_half_as_wide_as_they_should_be_are_mended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(due, "law", half_as_wide)
    known = fleet_of(Rules(parked_per_year=0.4))
    plain, wide, by = before_and_after(known, year(2))
    # distances beyond the year count as held, narrow bands or not
    assert plain.mean() < 0.76
    assert by > 1.2
    assert wide.min() >= 0.76


def test_a_strong_season_nobody_could_know_yet_is_allowed_for() -> None:
    known = fleet_of(Rules(season=0.5, parked_per_year=0.2))
    in_second_year, _, _ = before_and_after(known, year(1))
    assert in_second_year.mean() < 0.70
    _, wide, by = before_and_after(known, year(2))
    assert by > 1.2
    assert wide.min() >= 0.76


def with_an_odd_start(fleet: Fleet, months: int) -> Fleet:
    """Vehicles that ran wildly for some months: every 90 days at another level."""
    rng = np.random.default_rng(1)
    daily = np.diff(fleet.total_km, axis=1)
    days = 30 * months
    level = np.exp(1.2 * rng.standard_normal((len(daily), days // 90 + 1)))
    daily[:, :days] *= np.repeat(level, 90, axis=1)[:, :days]
    total = np.hstack((np.zeros((len(daily), 1)), np.cumsum(daily, axis=1)))
    return replace(fleet, total_km=total)


def test_a_fleet_whose_first_months_were_odd_gets_its_width_back() -> None:
    fleet = with_an_odd_start(generate(STEADY, 60, 6, seed=9), 12)
    known = histories(fleet, readings(fleet, seed=10))
    months = np.concatenate([year(1), year(2), year(3), year(4)])
    by = factors(replayed(known, np.arange(FIRST, months[-1]), np.ones(len(months) + 11)), months)
    assert by[:12].max() > 1.5
    assert by[-24:].max() == 1.0
