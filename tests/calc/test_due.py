"""Distance, hours and calendar put together."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from fleet.calc import usage
from fleet.calc.calendar import add_months
from fleet.calc.class_rates import Clock
from fleet.calc.due import Binding, forecast
from fleet.calc.passage import passage_quantiles
from tests.calc.due_cases import NONE, limit, meter, one


def text(dates: np.ndarray) -> list[str]:
    return [str(on) for on in np.ravel(dates)]


def test_the_first_of_three_limits_wins_and_says_why() -> None:
    # Exact arithmetic from 2024-01-15: 10,000 km at 50 km a day are 200 days, 250 h at 2 h a day
    # are 125 days, 6 months are 182 days.
    due = one(
        limit(meter("2024-01-15", 50, steady=True), 10_000),
        limit(meter("2024-01-15", 2, steady=True), 250),
        str(add_months("2024-01-15", 6)),
    )
    assert text(due.distance_on[:, 1]) == ["2024-08-02"]
    assert text(due.calendar_on) == ["2024-07-15"]
    assert text(due.hours_on[:, 1]) == text(due.due_on[:, 1]) == ["2024-05-19"]
    assert due.binding[0] == Binding.HOURS


def test_gearbox_oil_three_years_and_40000_km_on_is_due_today_by_the_calendar() -> None:
    # Common practice, no source: severe manual gearbox, 3 years or 60,000 km.
    by_calendar = str(add_months("2021-06-15", 36))
    due = one(limit(meter("2024-06-10", 37), 60_000 - 40_000), None, by_calendar)
    assert text(due.due_on) == ["2024-06-15"] * 3
    assert due.binding[0] == Binding.CALENDAR
    assert due.binding_probability[0] > 0.999


def test_the_calendar_caps_every_quantile_exactly() -> None:
    given = limit(meter("2024-01-01", 100), np.linspace(500, 20_000, 40))
    calendar_on = np.full(40, np.datetime64("2024-04-01"))
    due = forecast(given, None, calendar_on)
    np.testing.assert_array_equal(due.due_on, np.minimum(due.distance_on, calendar_on[:, None]))
    assert (due.due_on < due.distance_on).any()
    assert (due.due_on < calendar_on[:, None]).any()


def test_without_a_calendar_limit_the_dates_are_those_of_the_passage() -> None:
    state = meter("2024-01-01", 100)
    days = passage_quantiles(usage.law(state).moments, [10_000], [0.1, 0.5, 0.9])[0]
    expected = np.datetime64("2024-01-01") + np.floor(0.5 + days).astype("timedelta64[D]")
    np.testing.assert_array_equal(one(limit(state, 10_000)).due_on[0], expected)


def test_hours_alone_work_as_distance_alone() -> None:
    state = meter("2024-01-01", 3)
    by_h, by_km = (
        one(None, limit(state, 300), "2024-05-01"),
        one(limit(state, 300), on="2024-05-01"),
    )
    np.testing.assert_array_equal(by_h.due_on, by_km.due_on)
    assert by_h.binding_probability == by_km.binding_probability
    pair = (Binding.HOURS, Binding.DISTANCE)
    assert (by_h.binding[0], by_km.binding[0]) == pair


def test_calendar_alone_is_certain() -> None:
    due = one(None, None, "2024-05-01")
    assert text(due.due_on) == ["2024-05-01"] * 3
    assert (due.binding[0], due.binding_probability[0]) == (Binding.CALENDAR, 1.0)
    assert text(due.distance_on) == [NONE] * 3


def test_nothing_within_ten_years_leaves_the_dates_empty() -> None:
    due = one(limit(meter("2024-01-01", 1, steady=True), 100_000))
    assert text(due.due_on) == [NONE] * 3
    assert due.binding[0] == Binding.NONE
    assert np.isnan(due.binding_probability[0])


def test_on_the_calendar_day_itself_the_calendar_comes_first() -> None:
    noon = meter("2024-01-01", 100)
    given = limit(noon, -1, reached_at_d=noon.last_at_d)
    assert one(given, on="2024-01-01").binding[0] == Binding.CALENDAR
    assert one(given, on="2024-01-02").binding[0] == Binding.DISTANCE


def test_a_limit_already_reached_is_due_on_the_day_it_was_reached() -> None:
    state = meter("2024-03-01", 100)
    due = one(limit(state, -250, reached_at_d=state.last_at_d - 2.5), on="2024-09-01")
    assert text(due.due_on) == ["2024-02-28"] * 3
    assert text(due.reached_on) == ["2024-02-28"]
    assert due.beyond_by_reading[0]
    assert due.binding_probability[0] == 1


def test_a_reading_exactly_at_the_limit_is_due_but_not_beyond() -> None:
    state = meter("2024-03-01", 100)
    due = one(limit(state, 0, reached_at_d=state.last_at_d))
    assert text(due.due_on) == ["2024-03-01"] * 3
    assert not due.beyond_by_reading[0]


def test_a_limit_reached_needs_the_instant() -> None:
    with pytest.raises(ValueError, match="row 0 is at its limit"):
        one(limit(meter("2024-03-01", 100), -5))


@pytest.mark.parametrize(("left", "beyond"), [(-500.0, False), (-500.1, True)])
def test_a_tolerance_is_used_up_beyond_its_last_km(left: float, beyond: bool) -> None:
    state = meter("2024-03-01", 100)
    given = limit(state, left, reached_at_d=state.last_at_d - 5, tolerance=np.array([500.0]))
    assert one(given).beyond_tolerance_by_reading[0] == beyond
    assert one(None, given).beyond_tolerance_by_reading[0] == beyond


def test_a_tolerance_in_days_is_added_to_the_calendar_limit() -> None:
    assert text(one(None, None, "2024-02-20", tolerance_d=14).tolerance_until_on) == ["2024-03-05"]
    assert text(one(None, None, NONE, tolerance_d=14).tolerance_until_on) == [NONE]


def test_dates_are_local_to_the_depot() -> None:
    state = meter("2024-03-01", 100)
    reached = {"reached_at_d": state.last_at_d + 0.4}  # 21:36 UTC
    for hours_east, expected in ((0, "2024-03-01"), (3, "2024-03-02"), (-22, "2024-02-29")):
        due = one(limit(state, -1, **reached), utc_offset_d=hours_east / 24)
        assert text(due.due_on[:, 1]) == [expected]


def test_the_same_local_noon_gives_the_same_forecast_everywhere() -> None:
    here, east = meter("2024-01-01", 100), meter("2024-01-01", 100)
    for instant in (east.last_at_d, east.filtered_at_d, east.first_at_d):
        instant -= 0.375
    there = one(limit(east, 10_000), on="2024-04-10", utc_offset_d=0.375)
    expected = one(limit(here, 10_000), on="2024-04-10")
    np.testing.assert_array_equal(there.distance_on, expected.distance_on)
    assert there.binding_probability == pytest.approx(expected.binding_probability)
    unmoved = one(limit(here, 10_000), on="2024-04-10", utc_offset_d=0.375)
    assert unmoved.binding_probability != pytest.approx(expected.binding_probability, abs=1e-4)


def test_a_seasonal_clock_carries_the_date_through_the_quiet_months() -> None:
    factors = np.ones(12)
    factors[1], factors[2] = 0.5, 1.5  # a quiet February, a busy March
    state = meter("2024-01-31", 100, steady=True)
    clocked = {"clock": Clock([factors]), "season": np.array([0])}
    # 20 days of use: half a day of January is left, then 39 days of February would be needed.
    # By hand: 29 × .5 = 14.5 by 1 March; 5 remain, at 1.5 a day 3.3 days: 4 March.
    due = one(limit(state, 2_000, **clocked), on="2025-01-01")
    assert text(due.due_on[:, 1]) == ["2024-03-04"]
    assert text(one(limit(state, 2_000)).due_on[:, 1]) == ["2024-02-20"]


def test_widening_stretches_the_band_about_the_expected_day() -> None:
    state = meter("2024-01-01", 100)
    days = passage_quantiles(usage.law(state).moments, [10_000], [0.1, 0.5, 0.9])[0]
    stretched = days[1] * (days / days[1]) ** 1.5
    expected = np.datetime64("2024-01-01") + np.floor(0.5 + stretched).astype("timedelta64[D]")
    np.testing.assert_array_equal(one(limit(state, 10_000, widening=1.5)).due_on[0], expected)


def test_a_date_widened_out_of_sight_is_left_empty() -> None:
    given = meter("2024-01-01", 10)
    assert text(one(limit(given, 8_000)).due_on)[2] != NONE
    assert text(one(limit(given, 8_000, widening=3.0)).due_on)[2] == NONE
    assert text(one(limit(given, 8_000, widening=3.0)).due_on)[1] != NONE


def test_many_rows_at_once_equal_each_alone() -> None:
    rng = np.random.default_rng(5)
    state, n = meter("2024-01-01", 80), 9_000
    left = rng.uniform(100, 30_000, n)
    hours = np.where(np.arange(n) % 20 == 0, left / 30, np.nan)
    on = np.datetime64("2024-02-01") + rng.integers(0, 400, n)
    together = forecast(limit(state, left), limit(meter("2024-01-01", 3), hours), on)
    for row in (0, 1, 4_095, 4_096, 8_980, 8_999):
        alone = one(
            limit(state, left[row]), limit(meter("2024-01-01", 3), hours[row]), str(on[row])
        )
        for field in fields(alone):
            got, want = getattr(together, field.name)[row], getattr(alone, field.name)[0]
            np.testing.assert_array_equal(got, want, err_msg=field.name)


def test_whole_numbers_give_the_same_as_floats_for_due_dates() -> None:
    state = usage.start([19_723], [0], 100, 1)
    floats = usage.start([19_723.0], [0.0], 100.0, 1.0)
    whole = one(limit(state, 9_000), on="2024-04-01", tolerance_d=3)
    same = one(limit(floats, 9_000.0), on="2024-04-01", tolerance_d=3.0)
    for field in fields(whole):
        np.testing.assert_array_equal(getattr(whole, field.name), getattr(same, field.name))


@pytest.mark.parametrize("widening", [1.0, 1.3])
def test_on_a_clock_twice_as_fast_a_limit_comes_as_surely_in_half_the_time(
    widening: float,
) -> None:
    state = meter("2024-01-01", 100)
    fast = {"clock": Clock([[2.0] * 12]), "season": np.array([0]), "widening": widening}
    # read at noon: 49.5 days from then on to the beginning of 20 February, and twice as many
    there = one(limit(state, 9_000, **fast), on="2024-02-20")
    plain = one(limit(state, 9_000, widening=widening), on="2024-04-09", utc_offset_d=-0.5)
    assert there.binding == plain.binding
    assert there.binding_probability == pytest.approx(plain.binding_probability)
    assert 0.5 < there.binding_probability[0] < 0.95
