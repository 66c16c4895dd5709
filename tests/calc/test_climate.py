"""Monthly means of daily extremes, worked by hand."""

from datetime import date

import numpy as np
import pytest

from fleet.calc.climate import in_tenths, monthly_means


def days(first: date, count: int) -> np.ndarray:
    start = (first - date(1970, 1, 1)).days
    return np.arange(start, start + count, dtype=np.int64)


def test_a_month_is_the_mean_of_its_days() -> None:
    day = days(date(2025, 1, 1), 31)
    # 1 to 31 °C: mean 16; each minimum 10 °C below
    found = monthly_means(day, np.arange(1.0, 32.0), np.arange(-9.0, 22.0))
    assert (found.mean_max_c.tolist(), found.mean_min_c.tolist()) == ([16.0], [6.0])
    assert (found.month.tolist(), found.days.tolist()) == ([660], [31])  # 55 years after 1970-01


def test_missed_days_are_left_out_of_the_mean() -> None:
    maximum = np.full(31, 20.0)
    maximum[[3, 7]] = np.nan
    maximum[0] = 49.0  # (49 + 28 × 20) / 29 = 21
    found = monthly_means(days(date(2025, 1, 1), 31), maximum, np.full(31, 5.0))
    assert (found.mean_max_c[0], found.days[0]) == (21.0, 29)


@pytest.mark.parametrize(("count", "has_mean"), [(19, False), (20, True)])
def test_a_month_needs_twenty_days_of_each_extreme(count: int, has_mean: bool) -> None:
    minimum = np.full(28, 1.0)
    minimum[count:] = np.nan
    found = monthly_means(days(date(2025, 2, 1), 28), np.full(28, 8.0), minimum)
    assert (found.days[0], np.isfinite(found.mean_max_c[0])) == (count, has_mean)
    assert np.isfinite(found.mean_min_c[0]) == has_mean


def test_months_of_several_years_stay_apart() -> None:
    day = np.concatenate([days(date(2024, 12, 1), 31), days(date(2025, 12, 1), 31)])
    found = monthly_means(day, np.repeat([4.0, 6.0], 31), np.repeat([-4.0, -2.0], 31))
    assert found.mean_max_c.tolist() == [4.0, 6.0]


@pytest.mark.parametrize(
    ("maximum", "minimum", "tenths"),
    [
        ([250, 261], [140, 150], True),  # 25 and 14 °C
        ([25.0, 26.1], [14, 15], False),
        ([25, 26], [14, 15], False),
        ([-50, -31], [-110, -90], True),  # -5 to -11 °C: small figures, but far apart
        ([42, 44], [14, 15], False),  # a desert: 28 K is the widest usual range
        ([np.nan, 250], [np.nan, 140], True),
        ([np.nan], [np.nan], False),
    ],
)
def test_tenths_are_known_by_the_daily_range(
    maximum: list[float], minimum: list[float], tenths: bool
) -> None:
    assert in_tenths(np.array(maximum, float), np.array(minimum, float)) is tenths
