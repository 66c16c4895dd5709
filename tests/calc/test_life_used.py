"""Life used across changes of duty class, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.calc.calendar import yearly_by
from fleet.calc.life import calendar_life, elapsed_share


def due(starts: list[str], months: list[float], as_of: str = "2024-01-01") -> tuple[str, float]:
    due_on, life = calendar_life([0, len(starts)], starts, months, [as_of])
    return str(due_on[0]), float(life[0])


def test_gearbox_oil_done_three_years_ago_is_used_up_by_the_calendar() -> None:
    # Common practice, no source: severe manual gearbox, 3 years or 60,000 km.
    due_on, by_calendar = due(["2021-06-15"], [36], "2024-06-15")
    assert (due_on, by_calendar) == ("2024-06-15", 1.0)


def test_with_one_class_the_calendar_limit_is_anchor_plus_months() -> None:
    due_on, life = due(["2023-01-31"], [1])
    assert due_on == "2023-02-28"
    assert life == pytest.approx(335 / 28)


def test_the_calendar_limit_after_a_change_by_hand() -> None:
    # 24 months from 2023-01-01 are 731 days, 181 of them used by 1 July: f = 550/731.
    # Severe, 12 months from 2023-07-01, is 366 days: ⌊366·550/731⌋ = 275 days → 2024-04-01.
    due_on, life = due(["2023-01-01", "2023-07-01"], [24, 12], "2023-12-31")
    assert due_on == "2024-04-01"
    assert life == pytest.approx(181 / 731 + 183 / 366)


def test_half_a_severe_interval_remains_by_the_calendar_too() -> None:
    # 2023-01-01 + 24 months = 731 days; a change after 365: f = 366/731, ⌊366·366/731⌋ = 183.
    assert due(["2023-01-01", "2024-01-01"], [24, 12])[0] == "2024-07-02"


def test_a_whole_number_of_days_is_not_lost_to_rounding() -> None:
    # The formula in whole numbers: no rounding there.
    for used_d in range(1, 365):
        change = str(np.datetime64("2023-03-01") + used_d)
        got = np.datetime64(due(["2023-03-01", change], [12, 12])[0])
        total = (np.datetime64("2024-03-01") - np.datetime64("2023-03-01")).astype(int)
        span = (_plus_year(change) - np.datetime64(change)).astype(int)
        assert (got - np.datetime64(change)).astype(int) == (total - used_d) * span // total


def _plus_year(on: str) -> np.datetime64:
    """A year later by writing the next year; no 29 February among the days tested."""
    return np.datetime64(f"{int(on[:4]) + 1}{on[4:]}" if on[5:] != "02-29" else "2025-02-28")


def test_a_change_back_continues_from_what_is_left() -> None:
    # 365 of 731 days used, then 100 of 366 days, then normal again from 2024-04-10: 730 days.
    left = 1 - 365 / 731 - 100 / 366
    expected = np.datetime64("2024-04-10") + int(left * 730)
    got = due(["2023-01-01", "2024-01-01", "2024-04-10"], [24, 12, 24])[0]
    assert got == str(expected)


def test_a_limit_reached_before_a_change_stays_where_it_was_reached() -> None:
    assert due(["2022-01-01", "2023-06-01"], [12, 24])[0] == "2023-01-01"


def test_a_class_without_a_calendar_limit_uses_none_and_sets_none() -> None:
    assert due(["2023-01-01", "2023-07-01"], [np.nan, 12], "2023-07-01") == ("2024-07-01", 0.0)
    due_on, life = due(["2023-01-01", "2023-07-02"], [12, np.nan], "2024-07-01")
    assert due_on == "NaT"
    assert life == pytest.approx(182 / 365)


def test_a_service_without_any_calendar_limit_has_no_such_life() -> None:
    due_on, life = due(["2023-01-01"], [np.nan])
    assert due_on == "NaT"
    assert np.isnan(life)


def test_many_rows_at_once_equal_each_alone() -> None:
    starts = ["2023-01-01", "2022-01-01", "2022-08-01", "2023-03-01"]
    months = [6.0, 24.0, 12.0, 18.0]
    due_on, life = calendar_life([0, 1, 3, 4], starts, months, "2023-05-05")
    alone = [due(starts[a:b], months[a:b], "2023-05-05") for a, b in ((0, 1), (1, 3), (3, 4))]
    assert [(str(on), used) for on, used in zip(due_on, life, strict=True)] == alone


def test_before_the_anchor_nothing_is_used() -> None:
    assert due(["2023-06-01"], [12], "2023-05-01")[1] == 0.0


def test_life_of_a_yearly_limit_is_the_share_of_its_days() -> None:
    limit_on = yearly_by(["2023-10-01"], 10, 1)
    assert elapsed_share("2023-10-01", limit_on, "2024-04-01")[0] == pytest.approx(183 / 366)
    assert np.isnan(elapsed_share("2023-10-01", "NaT", "2024-04-01"))
