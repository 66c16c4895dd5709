"""Calendar arithmetic against dateutil and by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc import calendar
from fleet.calc.calendar import WorkingDays, add_months, last_working_day, yearly_by

ANY_DATE = st.dates(date(1890, 1, 1), date(2190, 12, 31))
WEEKDAYS = (True,) * 5 + (False,) * 2


def plus(anchor: str, months: float) -> str:
    return str(add_months(anchor, months))


# Observed with dateutil's relativedelta, which clips to the month's end.
@pytest.mark.parametrize(
    ("anchor", "months", "expected"),
    [
        ("2023-01-31", 1, "2023-02-28"),
        ("2024-01-31", 1, "2024-02-29"),
        ("2023-01-31", 2, "2023-03-31"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 24, "2026-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("1896-02-29", 48, "1900-02-28"),
        ("2023-08-31", 6, "2024-02-29"),
        ("2023-10-31", -1, "2023-09-30"),
    ],
)
def test_months_are_clipped_to_the_end_of_the_month(
    anchor: str, months: int, expected: str
) -> None:
    assert plus(anchor, months) == expected


def test_a_chain_of_months_is_not_the_sum_of_its_steps() -> None:
    assert plus(plus("2023-01-31", 1), 1) == "2023-03-28"
    assert plus(plus("2023-01-31", 1), -1) == "2023-01-28"


def test_twelve_steps_from_the_anchor_end_on_each_month_end() -> None:
    days = [str(on)[-2:] for on in add_months("2023-01-31", np.arange(12))]
    assert days == ["31", "28", "31", "30", "31", "30", "31", "31", "30", "31", "30", "31"]


@given(anchor=ANY_DATE, months=st.integers(-900, 900))
def test_adding_months_agrees_with_dateutil(anchor: date, months: int) -> None:
    assert add_months(anchor, months).item() == anchor + relativedelta(months=months)


# Observed with dateutil's relativedelta.


@pytest.mark.parametrize("months", [36, 36.0, np.int16(36)])
def test_whole_months_may_come_as_any_number(months: float) -> None:
    assert plus("2021-06-15", months) == "2024-06-15"


def test_half_months_are_refused() -> None:
    with pytest.raises(ValueError, match="whole months"):
        add_months("2021-06-15", 1.5)


def test_no_months_or_no_anchor_give_no_date() -> None:
    assert np.isnat(add_months(["2021-06-15", "NaT"], [np.nan, 3])).all()


# By hand: strictly after the anchor, and 29 February is the last of February.
@pytest.mark.parametrize(
    ("anchor", "month", "day", "expected"),
    [
        ("2024-09-30", 10, 1, "2024-10-01"),
        ("2024-10-01", 10, 1, "2025-10-01"),
        ("2024-10-02", 10, 1, "2025-10-01"),
        ("2023-03-01", 2, 29, "2024-02-29"),
        ("2024-02-29", 2, 29, "2025-02-28"),
        ("2024-12-31", 1, 1, "2025-01-01"),
        ("2024-12-30", 12, 31, "2024-12-31"),
    ],
)
def test_a_yearly_day_is_the_next_one_strictly_after(
    anchor: str, month: int, day: int, expected: str
) -> None:
    assert str(yearly_by(anchor, month, day)) == expected


@pytest.mark.parametrize(("month", "day"), [(0, 1), (13, 1), (4, 0), (4, 32)])
def test_an_impossible_yearly_day_is_refused(month: int, day: int) -> None:
    with pytest.raises(ValueError, match="month from 1 to 12"):
        yearly_by("2024-01-01", month, day)


@pytest.mark.parametrize(("month", "day"), [(1, 1), (12, 31), (12, 1), (1, 31)])
def test_every_day_of_the_year_can_be_one(month: int, day: int) -> None:
    assert yearly_by("2024-06-15", month, day).item() == date(2024 + (month < 6), month, day)


def test_yearly_days_pass_missing_anchors_through() -> None:
    assert np.isnat(yearly_by(["NaT"], 10, 1)).all()


# 2024-05-01 was a Wednesday.
@pytest.mark.parametrize(
    ("on", "expected"),
    [
        ("2024-05-03", "2024-05-03"),
        ("2024-05-05", "2024-05-03"),
        ("2024-05-06", "2024-05-03"),
        ("2024-05-07", "2024-05-07"),
    ],
)
def test_a_closed_day_moves_back_to_the_last_worked_one(on: str, expected: str) -> None:
    working = WorkingDays(WEEKDAYS, calendar.dates(["2024-05-06"]))
    assert str(last_working_day(on, working)) == expected


def test_depots_may_work_weekends() -> None:
    sundays = WorkingDays((False,) * 6 + (True,), calendar.dates([]))
    assert [str(on) for on in last_working_day(["2024-05-04", "NaT"], sundays)] == [
        "2024-04-28",
        "NaT",
    ]


@pytest.mark.parametrize("week", [(False,) * 7, (True,) * 6])
def test_a_week_without_work_is_refused(week: tuple[bool, ...]) -> None:
    with pytest.raises(ValueError, match="seven days"):
        last_working_day("2024-05-04", WorkingDays(week, calendar.dates([])))


def test_an_instant_falls_on_the_depots_local_day() -> None:
    # 23:30 UTC on 1970-01-02 is the next day one hour east.
    at_d = 1 + 23.5 / 24
    days = calendar.on_day([at_d, at_d, np.inf, np.nan, -0.25], [0.0, 1 / 24, 0.0, 0.0, 0.0])
    assert [str(on) for on in days] == ["1970-01-02", "1970-01-03", "NaT", "NaT", "1969-12-31"]


def test_day_numbers_count_from_1970() -> None:
    np.testing.assert_array_equal(
        calendar.day_number(["1970-01-01", "1971-01-01", "NaT"]), [0, 365, np.nan]
    )
