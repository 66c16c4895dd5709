"""The replay of past forecasts: when they are made, from what, and what they are held against."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc import scores, usage
from fleet.calc.passage import passage_quantiles
from fleet.calc.replay import Cases, Histories, Plan, month_numbers, replay
from fleet.calc.seasons_then import SeasonsThen
from fleet.calc.usage import Events
from tests.due.july import busy_julys
from tests.generator import Rules, generate, histories, readings

START_D = 17_532.5  # noon of 2018-01-01
DISTANCES_KM = np.array([2_000.0, 15_000.0])


def day_of(text: str) -> float:
    return float(np.datetime64(text, "D").astype(np.int64)) + 0.5


def one_meter(days: list[float], km: list[float], rate: float = 100.0) -> Histories:
    events = Events.of([0, len(days)], START_D + np.array(days), km)
    return Histories(events, np.array([rate]), np.array([0.4]), np.array([0]))


def plan(first: str, last: str, widening: float = 1.0) -> Plan:
    months = np.arange(np.datetime64(first, "M").astype(int), np.datetime64(last, "M").astype(int))
    horizons = np.array([30.0, 365.0])
    return Plan(months, DISTANCES_KM, horizons, np.full(months.size, widening))


def steady(months: int = 30, km_per_day: float = 100.0) -> Histories:
    days = [30.0 * at for at in range(months)]
    return one_meter(days, [km_per_day * day for day in days])


def test_forecasts_rest_on_the_filter_and_the_passage_of_the_readings_so_far() -> None:
    history = one_meter([0, 31, 70, 96, 480, 600], [0, 2_000, 6_500, 9_000, 50_000, 60_000.0], 80)
    found = replay(history, plan("2018-03", "2018-04"))
    events = history.events
    state = usage.start(events.at_d[:1], events.km[:1], 80.0, 0.4)
    state = usage.advance(state, Events.of([0, 2], events.at_d[1:3], events.km[1:3]))
    days = passage_quantiles(usage.law(state).moments, [2_000.0], scores.LEVELS)
    # 26 days and 2,500 km to the next reading: 2,000 km after 20.8 of them, by hand
    assert found.origin_d[0] == events.at_d[2]
    assert found.distance.own[0, 0] == pytest.approx(scores.crps(days, [20.8])[0], rel=1e-5)


def test_what_happened_is_interpolated_inside_its_reading_interval() -> None:
    days = [0, 45, 90, 120, 180, 600]
    km = [0, 4_500, 9_000, 10_000, 14_000, 40_000]
    found = replay(one_meter(days, km), plan("2018-04", "2018-05"))
    # April's last reading is that of day 90. 2,000 km: 1,000 in the first 30 days and 1,000 of
    # 4,000 in the next 60, so 45 days; 90 days of 100 km/day would have said 20.
    assert found.distance.last_90[0, 0] == pytest.approx(25)


def test_a_distance_not_covered_within_a_year_counts_as_a_year() -> None:
    found = replay(one_meter([0, 90, 700], [0, 9_000, 10_000]), plan("2018-04", "2018-05"))
    assert found.distance.last_90[0] == pytest.approx([345, 215])  # 365 − 20 and − 150 days


def test_a_forecast_needs_a_year_of_readings_after_it() -> None:
    history = one_meter([0, 31, 59, 31 + 365, 59 + 364], [0, 1, 2, 3, 4.0])
    assert list(replay(history, plan("2018-01", "2019-06")).origin_d - START_D) == [0, 31]


def test_each_month_with_a_new_reading_gives_one_forecast_from_its_last_one() -> None:
    history = one_meter([2, 20, 40, 100, 500], [0, 100, 200, 300, 9_000.0])
    found = replay(history, plan("2018-01", "2018-12"))
    assert list(found.origin_d - START_D) == [20, 40, 100]  # January, February, April
    assert list(found.readings) == [2, 3, 4]


def test_later_readings_change_no_forecast() -> None:
    history = steady()
    km = history.events.km.copy()
    km[10:] += 40_000
    other = replace(history, events=replace(history.events, km=km))
    months = plan("2018-01", "2018-10")
    same = replay(other, months, happened=history)
    np.testing.assert_array_equal(same.distance.own, replay(history, months).distance.own)


def test_the_first_forecast_rests_on_the_class_rate_alone() -> None:
    slow, fast = (
        replay(one_meter([0, 40, 500], [0, 4_000, 50_000], rate), plan("2018-01", "2018-02"))
        for rate in (50.0, 100.0)
    )
    # 2,000 km at the class rate: 40 and 20 days; the vehicle took 20
    assert slow.distance.last_90[0, 0] == pytest.approx(20)
    assert fast.distance.last_90[0, 0] == pytest.approx(0)
    assert slow.distance.error[0, 0] > fast.distance.error[0, 0] + 10


def test_the_rivals_are_the_last_ninety_days_and_the_lifetime() -> None:
    days = [0, 100, 190, 700]
    found = replay(one_meter(days, [0, 10_000, 14_500, 40_000]), plan("2018-07", "2018-08"))
    # 25,500 km in 510 days: 2,000 km take 40. Last 90 days: 50 km/day, 40 days; lifetime
    # 14,500 km in 190 days: 26.2 days.
    assert found.distance.last_90[0, 0] == pytest.approx(0, abs=1e-9)
    assert found.distance.lifetime[0, 0] == pytest.approx(40 - 2_000 * 190 / 14_500)


def test_distance_ahead_is_scored_in_km() -> None:
    found = replay(steady(), plan("2018-12", "2019-01"))
    assert found.horizon.error[0] == pytest.approx([0, 0], abs=700)  # of 3,000 and 36,500 km
    assert found.horizon.lifetime[0] == pytest.approx([0, 0], abs=1e-6)
    assert found.horizon.in_80.all()


def test_a_standing_vehicle_breaks_nothing() -> None:
    history = one_meter([30.0 * at for at in range(30)], [500.0] * 30)
    found = replay(history, plan("2018-01", "2019-06"))
    assert np.isfinite(found.distance.own).all()
    assert (found.distance.last_90[5:] == 0).all()  # a zero rate counts as 365 days


def test_a_widened_band_is_wider_and_asks_for_the_same_factor_in_all() -> None:
    history = steady()
    plain, wide = (replay(history, plan("2018-06", "2018-07", by)) for by in (1.0, 1.5))
    np.testing.assert_allclose(plain.needed, wide.needed, rtol=1e-6)
    assert wide.distance.own[0, 0] > plain.distance.own[0, 0]  # spread that was not needed


def seasonal_fleet(height: float) -> Histories:
    fleet = generate(replace(Rules(), season=height, parked_per_year=1e-9), 45, 5, seed=3)
    return histories(fleet, readings(fleet, seed=4))


def test_a_season_that_could_be_seen_sharpens_the_forecasts() -> None:
    history = seasonal_fleet(0.35)
    apart = replace(history, class_row=np.arange(len(history)))  # no class is large enough
    months = plan("2021-01", "2022-01")
    together = replace(history, class_row=np.zeros(len(history), np.int64))
    with_season, without = replay(together, months), replay(apart, months)
    assert with_season.distance.own.mean() < 0.87 * without.distance.own.mean()


def test_a_season_is_seen_from_the_readings_up_to_then() -> None:
    history = seasonal_fleet(0.35)
    events, row = history.events, np.zeros(len(history), np.int64)
    month = int(month_numbers(np.array([day_of("2020-12-15")]))[0])
    end_d = day_of("2021-01-01") - 0.5
    late = events.at_d >= end_d
    owner = np.repeat(np.arange(len(history)), np.diff(events.offsets))
    last_d = np.zeros(len(history))
    np.maximum.at(last_d, owner[~late], events.at_d[~late])
    other = replace(events, km=np.where(late, events.km + 9_000, events.km))
    clocks = [SeasonsThen(each, row).at(month, last_d, last_d > 0)[0] for each in (events, other)]
    asked = np.array([end_d, end_d + 100])
    first, second = (clock and clock.operational_d(asked, np.zeros(2, int)) for clock in clocks)
    assert first is not None
    np.testing.assert_array_equal(first, second)


def test_a_busy_july_is_seen_in_july() -> None:
    events, row = busy_julys(), np.zeros(22, np.int64)
    month = int(np.datetime64("2022-02", "M").astype(int))
    last_d = events.at_d[events.offsets[1:] - 1]
    clock, season = SeasonsThen(events, row).at(month, last_d, last_d > 0)
    firsts = np.arange("2023-01", "2024-02", dtype="M8[M]").astype("M8[D]").astype(float)
    assert clock is not None
    per_day = np.diff(clock.operational_d(firsts, np.zeros(13, int))) / np.diff(firsts)
    assert per_day.argmax() == 6
    assert set(season) == {0}


def test_months_without_any_forecast_leave_the_others_alone() -> None:
    found: Cases = replay(steady(), plan("2010-01", "2018-04"))
    # read on 1 and 31 January, 2 March and 1 April
    assert list(found.origin_d - START_D) == [30, 60]
