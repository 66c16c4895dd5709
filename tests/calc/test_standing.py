"""A vehicle that stands is laid up, not slow: the states and days worked out with the method.

Figures of the worked examples are those of the method's description: class rate 100 km a day,
spread .4, 52 weeks of 700 km, then what is named; days to 10,000 km at 10, 50 and 90 %.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike

from fleet.calc import usage
from fleet.calc.class_rates import Clock
from fleet.calc.due import SHARE_LEVELS, Binding, instants_d
from fleet.calc.level_paths import LEVELS, level_distances, level_paths, moments_ahead
from fleet.calc.passage import passage_cdf
from fleet.calc.standing import days_left
from tests.calc.due_cases import limit
from tests.calc.due_cases import one as due_of_one
from tests.calc.usage_reference import after, one

YEAR = [(7.0, 700.0)] * 52
STANDING = [(30.0, 0.0)] * 2


def driven(steps: list[tuple[float, float]], spread: float = 0.4) -> usage.State:
    days, km = np.array(steps).T
    return after(one(spread), np.cumsum(days), np.cumsum(km))


def days_to(state: usage.State, km: float = 10_000, levels: ArrayLike = (0.1, 0.5, 0.9)) -> list:
    return list(instants_d(limit(state, km), levels)[0] - state.last_at_d[0])


WORKED = {
    "two months standing": (STANDING, 60, 0.8798, -0.1833, (105.6, 166.4, 360.5)),
    "a partly idle month": (
        [*STANDING, (30.0, 1_000.0)], 0, 0.8474, -0.1739, (103.4, 133.7, 173.4),
    ),
    "running again": (
        [*STANDING, (30.0, 1_000.0), (30.0, 2_500.0)], 0, 0.8867, -0.0682, (96.0, 119.2, 149.5),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WORKED)
def test_worked_spells_give_the_states_and_days_of_the_method(name: str) -> None:
    steps, idle_d, mu, u, days = WORKED[name]
    state = driven([*YEAR, *steps])
    assert (state.idle_d[0], *state.mu.round(4), *state.u.round(4)) == (idle_d, mu, u)
    np.testing.assert_allclose(days_to(state), days, atol=0.051)


@pytest.mark.parametrize(
    ("weeks", "days"), [(4, (99.3, 145.3, 279.1)), (26, (188.5, 334.9, 811.6))]
)
def test_weeks_of_standing_move_the_dates_out(weeks: int, days: tuple[float, ...]) -> None:
    state = driven([*YEAR, *[(7.0, 0.0)] * weeks])
    assert state.idle_d[0] == 7 * weeks
    np.testing.assert_allclose(days_to(state), days, atol=0.051)


# Spread .6 from the start, half of the days to 10,000 km; true rates 8, 50 and 10 km a day.
@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ([(30.0, 240.0)] * 12, 1_389),
        ([(7.0, 0.0), (7.0, 700.0)] * 52, 190),
        ([(7.0, 0.0), (7.0, 140.0)] * 52, 1_102),
    ],
    ids=["slow", "every second week", "slow, every second week"],
)
def test_slow_and_intermittent_vehicles_are_still_learnt(
    steps: list[tuple[float, float]], expected: float
) -> None:
    state = driven(steps, 0.6)
    assert days_to(state)[1] == pytest.approx(expected, abs=0.51)


def test_a_spell_that_has_lasted_lasts_longer() -> None:
    # By the method: 60 days idle leave 4.9, 37.3 and 194.6 days at 10, 50 and 90 %.
    left = days_left(np.array([60.0, 0.0]), [0.1, 0.5, 0.9])
    np.testing.assert_allclose(left[0], [4.9, 37.3, 194.6], atol=0.051)
    assert (left[1] == 0).all()


def test_a_slow_month_that_is_no_surprise_is_not_standing() -> None:
    unsure = driven([(30.0, 0.0)], 0.9)  # a new vehicle of a mixed class: it may just be slow
    assert unsure.idle_d[0] == 0
    assert unsure.sw[0] == 1
    sure = driven([(30.0, 0.0)], 0.3)
    assert (sure.idle_d[0], sure.sw[0]) == (30, 0.3)


def test_a_tenth_of_what_was_expected_ends_the_spell() -> None:
    before = driven([*YEAR, *STANDING])
    expected = float(before.mu[0] + before.u[0] * (1 - np.exp(-30 / 80)) * 80 / 30)
    at_d, km = before.last_at_d[0] + 30, before.last_km[0] + 0.1 * expected * 3_000
    assert after(before, [at_d], [km - 1]).idle_d[0] == 90
    assert after(before, [at_d], [km + 1]).idle_d[0] == 0


def test_standing_and_the_first_interval_after_it_weigh_three_tenths() -> None:
    year = driven(YEAR)
    stands = after(year, year.last_at_d + 30, year.last_km)
    runs = after(stands, stands.last_at_d + 30, stands.last_km + 3_000)
    fade = 0.5 ** (30 / 365)
    assert stands.sw[0] == pytest.approx(fade * year.sw[0] + 0.3)
    assert runs.sw[0] == pytest.approx(fade * stands.sw[0] + 0.3)
    again = after(runs, runs.last_at_d + 30, runs.last_km + 3_000)
    assert again.sw[0] == pytest.approx(fade * runs.sw[0] + 1)


def test_a_closer_reading_leaves_the_days_of_standing_as_they_are() -> None:
    state = driven([*YEAR, *STANDING])
    assert after(state, state.last_at_d + 2, state.last_km + 300).idle_d[0] == 60


def test_standing_counts_in_the_days_of_the_filter() -> None:
    clock = Clock([[0.5, *[1.0] * 11]])  # 1970 begins with a slow January
    state = usage.advance(one(0.2), usage.Events.of([0, 1], [31.0], [0.0]), clock, [0])
    assert state.idle_d[0] == pytest.approx(15.5)


# --- whatever walks a path ---------------------------------------------------------------
def test_the_chance_before_a_day_is_the_share_of_levels_before_it() -> None:
    state = driven([*YEAR, *STANDING])
    days = np.array(days_to(state, levels=SHARE_LEVELS))
    on = np.floor(state.last_at_d[0] + 140).astype("M8[D]")
    due = due_of_one(limit(state, 10_000), on=str(on))
    share = (days < 140).mean()
    assert due.binding[0] == Binding.CALENDAR
    assert due.binding_probability[0] == pytest.approx(1 - share, abs=1e-12)
    plain = passage_cdf(*usage.moments(state, [140.0]), 10_000)[0]  # as if it ran from today
    assert share < plain - 0.2


def test_a_level_covers_nothing_until_it_runs_again() -> None:
    # By hand: at the middle level 37.3 days of 60 are lost, the other 22.7 are driven.
    state = driven([*YEAR, *STANDING])
    law = usage.law(state)
    ahead = level_distances(law, [[10.0, 37.0, 60.0]], [0.5])[0, :, 0]
    assert (ahead[:2] == 0).all()
    left_d = 90 * (np.sqrt(2) - 1)
    state.idle_d[:] = 0
    runs = level_distances(usage.law(state), [[60 - left_d]], [0.5])[0, 0, 0]
    assert ahead[2] == pytest.approx(runs)


def test_levels_reach_a_limit_on_the_days_that_the_dates_say() -> None:
    state = driven([*YEAR, *STANDING])
    for widening in (1.0, 1.3):
        made = level_paths(usage.law(state), state.last_at_d, 0.0, state.last_at_d[0], widening)
        at_d = made.reached_d(np.full((1, 99), 5_000.0))[0] - state.last_at_d[0]
        exact_d = np.array(
            instants_d(limit(state, 5_000, widening=widening), LEVELS)[0] - state.last_at_d[0]
        )
        inner = slice(10, 80)
        # widened levels are the widened days only of a lognormal law: standing is more skewed
        assert at_d[inner] == pytest.approx(exact_d[inner], rel=0.003 if widening == 1 else 0.06)


def test_the_mean_ahead_of_a_standing_meter_is_that_of_its_levels() -> None:
    both = usage.State(
        *(np.repeat(getattr(driven([*YEAR, *STANDING]), name), 2) for name in FIELD_NAMES)
    )
    both.idle_d[1] = 0.0
    mean, var = moments_ahead(usage.law(both), 90.0)
    running_mean, running_var = usage.moments(both, [90.0, 90.0])
    assert (mean[1], var[1]) == (running_mean[1], running_var[1])
    each = level_distances(usage.law(both), [[90.0]], LEVELS)[0, 0]
    assert (mean[0], var[0]) == (each.mean(), each.var())
    assert mean[0] < 0.6 * mean[1]


FIELD_NAMES = tuple(usage.State.__dataclass_fields__)


def test_a_date_that_standing_pushes_out_of_sight_is_left_empty() -> None:
    state = driven([*YEAR, (900.0, 0.0)])
    assert np.isfinite(days_to(state, 30_000)[2])
    assert np.isinf(days_to(state, 60_000)[2])
    assert np.isfinite(days_to(state, 60_000)[0])
