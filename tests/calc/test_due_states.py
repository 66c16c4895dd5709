"""States at each boundary, and the day to bring the vehicle in; all by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.calc.calendar import WorkingDays, dates
from fleet.calc.due_states import (
    DueState,
    bring_in_by,
    nearly_certain,
    out_of_tolerance,
    states,
)

TODAY = "2024-05-15"  # a Wednesday
WORKING = WorkingDays((True,) * 5 + (False,) * 2, dates(["2024-05-10"]))


def state(
    expected: str, calendar: str = "NaT", beyond: bool = False, known: bool = True
) -> DueState:
    return DueState(states([known], [calendar], [beyond], [expected], TODAY)[0])


@pytest.mark.parametrize(
    ("expected", "named"),
    [
        ("2024-05-14", DueState.PROBABLY_OVERDUE),
        ("2024-05-15", DueState.DUE_THIS_MONTH),
        ("2024-05-31", DueState.DUE_THIS_MONTH),
        ("2024-06-01", DueState.LATER),
        ("NaT", DueState.LATER),
    ],
)
def test_the_expected_date_decides_the_state(expected: str, named: DueState) -> None:
    assert state(expected) == named


def test_a_calendar_limit_is_overdue_from_the_day_after() -> None:
    assert state("2024-05-14", "2024-05-14") == DueState.OVERDUE
    assert state("2024-05-15", "2024-05-15") == DueState.DUE_THIS_MONTH


def test_a_reading_beyond_the_limit_is_overdue_whatever_the_dates() -> None:
    assert state("2024-05-01", beyond=True) == DueState.OVERDUE
    assert state("2024-07-01", beyond=True) == DueState.OVERDUE


def test_an_unknown_history_comes_before_everything() -> None:
    assert state("2024-05-01", "2024-05-01", beyond=True, known=False) == DueState.HISTORY_UNKNOWN


def test_december_ends_with_the_year() -> None:
    given = ([True] * 2, ["NaT"] * 2, [False] * 2, ["2024-12-31", "2025-01-01"])
    got = states(*given, "2024-12-31")
    assert list(got) == [DueState.DUE_THIS_MONTH, DueState.LATER]


def test_each_depot_has_its_own_today() -> None:
    given = ([True] * 2, ["NaT"] * 2, [False] * 2, ["2024-05-31"] * 2)
    got = states(*given, ["2024-05-31", "2024-06-01"])
    assert list(got) == [DueState.DUE_THIS_MONTH, DueState.PROBABLY_OVERDUE]


def test_nearly_certain_needs_the_latest_likely_date_to_have_passed() -> None:
    both = [DueState.PROBABLY_OVERDUE] * 3 + [DueState.OVERDUE]
    latest = ["2024-05-14", "2024-05-15", "NaT", "2024-05-14"]
    assert list(nearly_certain(both, latest, TODAY)) == [True, False, False, False]


def test_out_of_tolerance_by_reading_or_by_days() -> None:
    got = out_of_tolerance(
        [False, False, True, False], ["2024-05-14", "2024-05-15", "NaT", "NaT"], TODAY
    )
    assert list(got) == [True, False, True, False]


def by(p10: str, p90: str, calendar: str = "NaT", visit: str = "NaT") -> tuple[str, bool]:
    on, wide = bring_in_by([[p10, p10, p90]], [calendar], [visit], [WORKING], [0])
    return str(on[0]), bool(wide[0])


def test_without_a_visit_it_is_the_last_working_day_not_after_the_earliest_date() -> None:
    assert by("2024-05-15", "2024-05-20")[0] == "2024-05-15"
    # Sunday 12 May; Friday 10 May is a closure.
    assert by("2024-05-12", "2024-05-20")[0] == "2024-05-09"


def test_a_planned_visit_sets_the_day() -> None:
    assert by("2024-05-15", "2024-05-20", "2024-06-01", "2024-05-25")[0] == "2024-05-25"


def test_it_is_never_after_the_calendar_limit() -> None:
    assert by("2024-05-15", "2024-05-20", "2024-05-15", "2024-05-16")[0] == "2024-05-15"
    assert by("2024-05-15", "2024-05-20", "2024-05-15", "2024-05-15")[0] == "2024-05-15"
    assert by("2024-05-15", "2024-05-20", "2024-05-12")[0] == "2024-05-09"


def test_a_band_over_sixty_days_asks_for_a_reading_first() -> None:
    assert not by("2024-05-15", "2024-07-14")[1]
    assert by("2024-05-15", "2024-07-15")[1]
    assert by("2024-05-15", "NaT")[1]


def test_nothing_in_sight_gives_no_day() -> None:
    assert by("NaT", "NaT") == ("NaT", False)


def test_each_row_follows_its_own_depots_working_days() -> None:
    weekend = WorkingDays((False,) * 5 + (True,) * 2, dates([]))
    due = np.full((2, 3), np.datetime64("2024-05-15"))
    on, _ = bring_in_by(due, ["NaT"] * 2, ["NaT"] * 2, [WORKING, weekend], [0, 1])
    assert [str(day) for day in on] == ["2024-05-15", "2024-05-12"]
