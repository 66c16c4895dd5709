"""Seasons as they could be seen at month ends, from totals on first days of months."""

import numpy as np
import pytest

from fleet.calc.class_rates import season_index
from fleet.calc.seasons_then import MOST_YEARS, SeasonsThen
from fleet.calc.usage import Events

JANUARY = (2019 - 1970) * 12  # months since 1970
YEARS = 9
MONTHS = np.arange(JANUARY, JANUARY + 12 * YEARS + 1)
FIRSTS_D = MONTHS.astype("M8[M]").astype("M8[D]").astype(np.float64)
DAYS = np.diff(FIRSTS_D)


def driven(classes: list[int], busy: float = 2.0) -> tuple[Events, np.ndarray, np.ndarray]:
    """Vans read on each first of a month; those of class 1 run more in July, by the year more."""
    year, july = (MONTHS[:-1] - JANUARY) // 12, MONTHS[:-1] % 12 == 6
    per_day = np.array([
        np.where(july & (one == 1), busy + 0.1 * year, 1.0) * (60 + 5 * at)
        for at, one in enumerate(classes)
    ])  # fmt: skip
    month_km = per_day * DAYS
    km = np.hstack((np.zeros((len(classes), 1)), np.cumsum(month_km, axis=1)))
    offsets = np.arange(len(classes) + 1) * len(FIRSTS_D)
    return Events.of(offsets, np.tile(FIRSTS_D, len(classes)), km.ravel()), month_km, per_day


CLASSES = [0] * 6 + [1] * 6


def at(then: SeasonsThen, month: int, meters: int = 12, read_d: float = np.inf) -> object:
    """Everybody read up to the first of the month that is asked about."""
    last_d = np.full(meters, min(FIRSTS_D[month - JANUARY], read_d))
    return then.at(month, last_d, np.ones(meters, dtype=bool))


def test_before_two_whole_years_there_is_no_season() -> None:
    events, _, _ = driven(CLASSES)
    then = SeasonsThen(events, np.array(CLASSES))
    clock, row = at(then, JANUARY + 23)  # type: ignore[misc]
    assert clock is None
    assert row.tolist() == [-1] * 12
    assert not then.changed.any()
    clock, row = at(then, JANUARY + 24)  # type: ignore[misc]
    assert clock is not None
    assert row.tolist() == [-1] * 6 + [1] * 6  # the class without a season keeps calendar days
    assert then.changed.tolist() == [False, True]


@pytest.mark.parametrize("month", [24, 29, 40, 72, 73, 100, 108])
def test_a_season_is_that_of_the_totals_up_to_then_six_years_at_most(month: int) -> None:
    events, month_km, _ = driven(CLASSES)
    then = SeasonsThen(events, np.array(CLASSES))
    at(then, JANUARY + month)
    first = max(month - 12 * MOST_YEARS, 0)
    named = (month - 1) % 12 + 1  # calendar month of the last column: January is the first
    expected = season_index(month_km[:, first:month], DAYS[first:month], CLASSES, named)
    np.testing.assert_allclose(then.factors[1], expected.factors[1], rtol=1e-9)
    july = np.argmax(then.factors[1])
    assert july == 6
    assert then.factors[0].tolist() == [1.0] * 12


def test_a_season_stays_in_force_until_one_differs_by_enough() -> None:
    events, _, _ = driven(CLASSES)
    then = SeasonsThen(events, np.array(CLASSES))
    at(then, JANUARY + 24)
    kept = then.factors.copy()
    at(then, JANUARY + 25)  # July of no further year is known yet
    assert not then.changed.any()
    assert then.factors.tolist() == kept.tolist()
    at(then, JANUARY + 60)  # Julys have grown since
    assert then.changed.tolist() == [False, True]


def test_what_was_not_read_by_then_is_not_known() -> None:
    events, _, _ = driven(CLASSES)
    then = SeasonsThen(events, np.array(CLASSES))
    at(then, JANUARY + 36, read_d=FIRSTS_D[23])  # a month short of two years
    assert (then.factors == 1).all()
    last_d = np.full(12, FIRSTS_D[36])
    then.at(JANUARY + 36, last_d, np.arange(12) < 10)  # four of the class were read at all
    assert (then.factors == 1).all()
    then.at(JANUARY + 36, last_d, np.arange(12) < 11)
    assert (then.factors[1] != 1).any()


def test_beyond_the_last_reading_nothing_is_looked_at() -> None:
    events, _, _ = driven(CLASSES)
    then = SeasonsThen(events, np.array(CLASSES))
    month = int(MONTHS[-1])
    then.at(month + 2, np.full(12, FIRSTS_D[-1]), np.ones(12, dtype=bool))
    assert (then.factors == 1).all()
    then.at(month + 1, np.full(12, FIRSTS_D[-1]), np.ones(12, dtype=bool))
    assert (then.factors[1] != 1).any()


def test_without_meters_there_is_nothing_to_see() -> None:
    nothing = Events.of([0], [], [])
    then = SeasonsThen(nothing, np.empty(0, dtype=np.int64))
    clock, row = then.at(JANUARY, np.empty(0), np.empty(0, dtype=bool))
    assert (clock, row.tolist(), then.factors.shape) == (None, [], (0, 12))
