"""Life used across changes of duty class, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.calc.calendar import yearly_by
from fleet.calc.life import calendar_life, elapsed_share, meter_life, remaining, reported_life


def due(starts: list[str], months: list[float], as_of: str = "2024-01-01") -> tuple[str, float]:
    due_on, life = calendar_life([0, len(starts)], starts, months, [as_of])
    return str(due_on[0]), float(life[0])


def test_a_van_that_turns_severe_half_way_has_half_a_severe_interval_left() -> None:
    # 15,000 of 30,000 km normal; severe is 20,000 km: 10,000 km remain, not 5,000.
    life = meter_life([0, 1], [15_000], [30_000])
    assert remaining(life, [20_000])[0] == pytest.approx(10_000)


def test_shares_of_different_classes_add_up() -> None:
    # By hand: 12,000/30,000 + 5,000/20,000 = .65; a second row with one class: 9/12.
    life = meter_life([0, 2, 3], [12_000, 5_000, 9_000], [30_000, 20_000, 12_000])
    np.testing.assert_allclose(life, [0.65, 0.75])


def test_a_class_without_that_limit_uses_nothing() -> None:
    life = meter_life([0, 2], [99_000, 5_000], [np.nan, 20_000])
    assert life[0] == pytest.approx(0.25)
    assert np.isnan(remaining(life, [np.nan])[0])


def test_a_service_done_beyond_the_last_reading_still_has_the_way_there_to_go() -> None:
    # Done at 50,300 km, last reading 50,000 km: 10,300 km to the limit at 60,300 km.
    life = meter_life([0, 1], [-300], [10_000])
    assert remaining(life, [10_000])[0] == pytest.approx(10_300)
    assert reported_life(life)[0] == 0


def test_a_row_without_a_stretch_has_used_nothing() -> None:
    assert list(meter_life([0, 0, 1], [5.0], [10.0])) == [0.0, 0.5]


def test_gearbox_oil_done_three_years_and_40000_km_ago_is_used_up_by_the_calendar() -> None:
    # Common practice, no source: severe manual gearbox, 3 years or 60,000 km.
    due_on, by_calendar = due(["2021-06-15"], [36], "2024-06-15")
    by_km = meter_life([0, 1], [40_000], [60_000])
    assert (due_on, by_calendar) == ("2024-06-15", 1.0)
    assert by_km[0] == pytest.approx(0.667, abs=5e-4)
    assert reported_life(by_km, [np.nan], [by_calendar])[0] == 1.0


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


def test_reported_life_is_the_largest_known_one() -> None:
    life = reported_life([0.2, np.nan, np.nan], [0.7, 0.4, np.nan], [0.5, np.nan, np.nan])
    np.testing.assert_array_equal(life, [0.7, 0.4, np.nan])


def test_whole_numbers_give_the_same_as_floats_for_life() -> None:
    whole = meter_life([0, 2], [12_000, 5_000], [30_000, 20_000])
    assert whole == meter_life([0, 2], [12_000.0, 5_000.0], [30_000.0, 20_000.0])
