"""What a meter's state does with each kind of reading."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.calc import usage
from fleet.calc.class_rates import Clock
from tests.calc.usage_reference import after, drives, one


def same(left: usage.State, right: usage.State, rtol: float = 1e-9) -> None:
    for field in fields(left):
        np.testing.assert_allclose(
            getattr(left, field.name), getattr(right, field.name), rtol, 1e-12, err_msg=field.name
        )


@settings(max_examples=40, deadline=None)
@given(
    cut=st.integers(0, 12),
    gaps=st.lists(st.floats(0.0, 8.0) | st.floats(0.0, 400.0), min_size=12, max_size=12),
    steps=st.lists(st.floats(0.0, 30_000.0), min_size=12, max_size=12),
    shift=st.lists(st.booleans(), min_size=12, max_size=12),
)
def test_going_on_from_a_stored_state_equals_replaying(
    cut: int, gaps: list[float], steps: list[float], shift: list[bool]
) -> None:
    at_d, km = np.cumsum(gaps), np.cumsum(steps)
    first = after(one(), at_d[:cut], km[:cut], shift[:cut])
    same(after(first, at_d[cut:], km[cut:], shift[cut:]), after(one(), at_d, km, shift))


def test_many_meters_at_once_equal_each_alone() -> None:
    histories = [drives(seed, n, 90.0) for seed, n in ((1, 3), (2, 0), (3, 17), (4, 8))]
    offsets = np.cumsum([0] + [len(at) for at, _ in histories])
    events = usage.Events.of(
        offsets,
        np.concatenate([at for at, _ in histories]),
        np.concatenate([km for _, km in histories]),
    )
    together = usage.advance(usage.start(np.zeros(4), np.zeros(4), 100.0, 0.4), events)
    for row, (at_d, km) in enumerate(histories):
        same(together.take(np.array([row])), after(one(), at_d, km), 1e-13)


def test_a_reading_within_five_days_waits_for_the_next_update() -> None:
    waiting = after(one(), [4.99], [900.0])
    assert (waiting.mu[0], waiting.p11[0], waiting.filtered_at_d[0]) == (1.0, 0.4**2, 0.0)
    assert (waiting.last_at_d[0], waiting.last_km[0], waiting.readings[0]) == (4.99, 900.0, 2)
    # Nine days after the last update, though closer than five to the reading before.
    both, once = after(one(), [4.99, 9.0], [900.0, 1200.0]), after(one(), [9.0], [1200.0])
    assert both.mu[0] == once.mu[0] != 1.0


def test_five_days_apart_to_the_second_is_an_update() -> None:
    first_s = 1_700_000_003
    first_d, last_d = first_s / 86_400, (first_s + 5 * 86_400) / 86_400
    state = usage.start([first_d], [0.0], 100.0, 0.4)
    assert after(state, [last_d], [700.0]).mu[0] != 1.0


def test_a_rebase_moves_the_origin_and_teaches_nothing() -> None:
    before = after(one(), *drives(6, 9, 120.0))
    at_d = before.last_at_d[0] + 30
    moved = after(before, [at_d], [77.0], [True])
    for name in ("mu", "u", "p11", "p12", "p22", "sw", "se", "sum_d", "sum_km", "readings"):
        assert getattr(moved, name)[0] == getattr(before, name)[0]
    origin = [moved.filtered_at_d[0], moved.filtered_km[0], moved.last_at_d[0], moved.last_km[0]]
    assert origin == [at_d, 77.0, at_d, 77.0]


def test_own_sums_fade_by_half_in_180_days() -> None:
    # By hand: after the first step W = 10, K = 500; 180 days later both halve, then grow.
    state = after(one(), [10.0, 190.0], [500.0, 9500.0])
    assert state.sum_d[0] == pytest.approx(10 / 2 + 180)
    assert state.sum_km[0] == pytest.approx(500 / 2 + 9000)


def test_every_reading_enters_the_own_sums_even_within_five_days() -> None:
    state = after(one(), [1.0, 2.0], [60.0, 59.5])
    fade = 0.5 ** (1 / 180)
    assert state.sum_d[0] == pytest.approx(fade + 1)
    assert state.sum_km[0] == pytest.approx(60 * fade)  # a step back of half a km counts as 0


def test_a_standing_vehicle_keeps_a_small_positive_level() -> None:
    state = after(one(spread=2.0), 30.0 * np.arange(1, 61), np.zeros(60))
    assert state.mu[0] >= 0.02
    mean, _ = usage.moments(state, [10.0])
    assert mean[0] >= 0.05 * 100 * state.mu[0] * 10 * (1 - 1e-12)


def test_one_wild_increment_counts_as_a_surprise_of_25_at_most() -> None:
    assert after(one(spread=0.15), [30.0], [90_000.0]).se[0] == 25.0


def test_the_spread_of_the_forecast_is_inflated_at_most_fourfold() -> None:
    calm = one()
    wild, dull = one(), one()
    wild.sw[0], wild.se[0] = 10.0, 250.0
    dull.sw[0], dull.se[0] = 90.0, 0.0
    # By hand, not inflated: spells to come add 100² · 60 · 50 · .005 · 50/80.
    spells = 93_750.0
    var = usage.moments(calm, [50.0])[1] - spells
    assert usage.moments(wild, [50.0])[1] == pytest.approx(4 * var + spells)
    assert usage.moments(dull, [50.0])[1] == pytest.approx(0.35 * var + spells)


def test_variances_and_covariance_stay_possible_whatever_they_start_from() -> None:
    wrong = one()
    wrong.p11[0], wrong.p12[0], wrong.p22[0] = 0.01, 0.5, 0.01
    state = after(wrong, [30.0], [3000.0])
    assert state.p11[0] == 1e-8
    assert abs(state.p12[0]) == pytest.approx(0.999 * np.sqrt(1e-8 * state.p22[0]))


def test_however_deep_the_excursion_a_twentieth_of_the_level_is_driven() -> None:
    state = one()
    state.u[0] = -5.0
    # By hand: 5 % of 100 km a day over 10 days, less .005 · 10/40 for spells to come.
    assert usage.moments(state, [10.0])[0][0] == pytest.approx(50.0 * (1 - 0.00125))


def test_whole_numbers_give_the_same_as_floats() -> None:
    whole = after(usage.start([0], [0], 100, 1), [30, 60], [3100, 5900])
    same(whole, after(usage.start([0.0], [0.0], 100.0, 1.0), [30.0, 60.0], [3100.0, 5900.0]), 0)
    assert usage.moments(whole, [10])[0] == usage.moments(whole, [10.0])[0]


def test_days_ahead_may_be_one_a_row_or_several() -> None:
    state = usage.advance(
        usage.start([0, 0], [0, 0], [50, 90], 0.4),
        usage.Events.of([0, 1, 2], [30, 30], [1200, 3300]),
    )
    mean, var = usage.moments(state, np.array([[5.0, 80.0], [5.0, 80.0]]))
    assert mean.shape == var.shape == (2, 2)
    for column, h_d in enumerate((5.0, 80.0)):
        flat_mean, flat_var = usage.moments(state, h_d)
        np.testing.assert_array_equal(mean[:, column], flat_mean)
        np.testing.assert_array_equal(var[:, column], flat_var)


def test_nothing_happens_in_no_time() -> None:
    mean, var = usage.moments(after(one(), [30.0], [3000.0]), [0.0])
    assert (mean[0], var[0]) == (0.0, 0.0)


def test_with_a_seasonal_clock_a_busy_month_is_no_surprise() -> None:
    factors = np.ones(12)
    factors[0], factors[1] = 1.5, 0.5
    events = usage.Events.of([0, 2], [31.0, 59.0], [4650.0, 6050.0])  # 150, then 50 km a day
    state = usage.advance(one(), events, Clock([factors]), [0])
    assert state.mu[0] == pytest.approx(1.0)
    assert state.u[0] == pytest.approx(0.0, abs=1e-12)
    assert usage.advance(one(), events).u[0] != pytest.approx(0.0, abs=1e-3)


def test_each_meter_follows_the_season_of_its_own_class() -> None:
    clock, seasons = Clock([np.linspace(0.5, 1.5, 12), np.linspace(1.5, 0.5, 12)]), [1, 0, -1]
    histories = [drives(seed, n, 90.0) for seed, n in ((1, 3), (2, 12), (3, 7))]
    at_d, km = (np.concatenate(parts) for parts in zip(*histories, strict=True))
    start = usage.start(np.zeros(3), np.zeros(3), 100.0, 0.4)
    together = usage.advance(start, usage.Events.of([0, 3, 15, 22], at_d, km), clock, seasons)
    for row, (alone_d, alone_km) in enumerate(histories):
        events = usage.Events.of([0, alone_d.size], alone_d, alone_km)
        alone = usage.advance(one(), events, clock, [seasons[row]])
        same(together.take(np.array([row])), alone, 1e-13)


def test_a_meter_without_a_season_is_untouched_by_the_clock() -> None:
    at_d, km = drives(7, 10, 80.0)
    events = usage.Events.of([0, 10], at_d, km)
    plain, clocked = (
        usage.advance(one(), events),
        usage.advance(one(), events, Clock([[2.0] * 12]), [-1]),
    )
    same(clocked, plain)


def test_readings_that_go_back_in_time_are_refused_with_their_row() -> None:
    state = usage.start([0.0, 50.0], [0.0, 0.0], 100.0, 0.4)
    with pytest.raises(ValueError, match="meter row 1 go back in time"):
        usage.advance(state, usage.Events.of([0, 1, 2], [30.0, 40.0], [1.0, 2.0]))


def test_offsets_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="2 offsets from 0 to 1"):
        usage.advance(one(), usage.Events.of([0, 2], [30.0], [1.0]))


@pytest.mark.parametrize(("rate", "spread"), [(0.0, 0.4), (np.nan, 0.4), (100.0, -1.0)])
def test_a_meter_cannot_start_without_a_class_rate_and_spread(rate: float, spread: float) -> None:
    with pytest.raises(ValueError, match="of meter row 0 must be a number above 0"):
        usage.start([0.0], [0.0], rate, spread)


def test_a_clock_without_season_rows_is_refused() -> None:
    with pytest.raises(ValueError, match="season row of each meter"):
        usage.advance(one(), usage.Events.of([0, 1], [30.0], [1.0]), Clock([[1.0] * 12]))
