"""Levels followed between their knots, and days on which they reach a distance, by plain steps."""

from itertools import product

import numpy as np
import pytest

from fleet.calc import usage
from fleet.calc.class_rates import Clock
from fleet.calc.level_paths import (
    FURTHER_D,
    KNOTS_D,
    LEVELS,
    STANDING_AT_ONCE,
    Paths,
    knots_until,
    level_distances,
    level_paths,
    moments_ahead,
)


def drawn(seed: int, meters: int = 5) -> Paths:
    """Meters whose levels grow, or stand, from knot to knot."""
    rng = np.random.default_rng(seed)
    knots_d = np.array([0.0, 3, 10, 40, 100])
    steps = rng.choice([0.0, 0.0, 5.0, 120.0, 900.0], (meters, 4, 99))
    ahead = np.concatenate((np.zeros((meters, 1, 99)), np.cumsum(steps, axis=1)), axis=1)
    return Paths(1_000.0 + 10 * np.arange(meters), knots_d, ahead)


def covered(paths: Paths, meter: int, level: int, at_d: float) -> float:
    h_d = min(max(at_d - paths.start_d[meter], 0.0), paths.knots_d[-1])
    return float(np.interp(h_d, paths.knots_d, paths.ahead[meter, :, level]))


def reached_d(paths: Paths, meter: int, level: int, distance: float) -> float:
    """First day on which the line between the knots is at the distance, inf beyond the last."""
    own, knots = paths.ahead[meter, :, level], paths.knots_d
    if np.isnan(distance) or distance > own[-1]:
        return np.inf
    for at in range(len(knots)):
        if own[at] >= distance:
            if at == 0 or own[at] == own[at - 1]:
                return float(paths.start_d[meter] + knots[at])
            share = (distance - own[at - 1]) / (own[at] - own[at - 1])
            return float(paths.start_d[meter] + knots[at - 1] + share * (knots[at] - knots[at - 1]))
    raise AssertionError


@pytest.mark.parametrize("seed", range(4))
def test_what_is_covered_lies_on_the_line_between_knots(seed: int) -> None:
    paths = drawn(seed)
    at_d = 995 + np.random.default_rng(seed).uniform(0, 160, (5, 99))
    at_d[:, :5] = paths.start_d[:, None] + paths.knots_d  # on the knots themselves
    found = paths.covered(at_d)
    for meter, level in np.ndindex(found.shape):
        expected = covered(paths, meter, level, at_d[meter, level])
        assert found[meter, level] == pytest.approx(expected)


@pytest.mark.parametrize("seed", range(4))
def test_a_distance_is_reached_on_the_first_day_of_it(seed: int) -> None:
    paths = drawn(seed)
    distance = np.random.default_rng(seed + 9).uniform(-50, 2_500, (5, 99))
    distance[0, :9] = paths.ahead[0, 2, :9]  # just what a knot has
    distance[1, :9] = np.nan
    found = paths.reached_d(distance)
    for meter, level in np.ndindex(found.shape):
        expected = reached_d(paths, meter, level, max(distance[meter, level], 0.0))
        assert found[meter, level] == pytest.approx(expected), (meter, level)


def test_meters_are_taken_by_row_and_single_levels_by_cell() -> None:
    paths = drawn(1)
    part = paths.take(np.array([3, 0]))
    assert part.start_d.tolist() == [1_030, 1_000]
    cells = paths.at_levels(np.array([3, 0, 0]), np.array([7, 8, 98]))
    assert cells.ahead.shape == (3, 5, 1)
    for row, (meter, level) in enumerate(((3, 7), (0, 8), (0, 98))):
        assert cells.ahead[row, :, 0].tolist() == paths.ahead[meter, :, level].tolist()


def test_knots_reach_as_far_as_is_asked_a_month_at_a_time() -> None:
    assert knots_until(0).tolist() == knots_until(372).tolist() == KNOTS_D.tolist()
    assert knots_until(373).tolist() == [*KNOTS_D, 403]
    assert knots_until(403).tolist() == [*KNOTS_D, 403]
    assert knots_until(404).tolist() == [*KNOTS_D, 403, 434]
    assert knots_until(84, 0).tolist() == [0, 2, 4, 7, 10, 14, 21, 30, 45, 60, 80, 100]
    assert knots_until(100, 0).tolist() == knots_until(84, 0).tolist()
    assert knots_until(60, 84).tolist() == knots_until(84, 0).tolist()
    assert knots_until(-5, 0).tolist() == [0, 2]  # between two there is a line
    assert FURTHER_D == 31
    assert (LEVELS[0], LEVELS[49], LEVELS[98]) == (0.5 / 99, 0.5, 98.5 / 99)


def state(idle_d: float = 0.0, at_d: float = 1_000.0) -> usage.State:
    one = usage.start([at_d], [5_000.0], [100.0], [0.3])
    one.idle_d[:] = idle_d
    return one


def test_low_levels_drive_most_and_the_middle_one_about_the_mean() -> None:
    paths = level_paths(usage.law(state()), [1_000.0], 0.25, 1_372.0)
    assert paths.start_d.tolist() == [1_000.25]
    assert (paths.ahead[:, 0] == 0).all()
    assert (np.diff(paths.ahead[0], axis=0) >= 0).all()  # never falls
    assert (np.diff(paths.ahead[0, 1:], axis=1) < 0).all()
    mean, _ = usage.moments(state(), [240.0])
    at = KNOTS_D.tolist().index(240)
    assert paths.ahead[0, at].mean() == pytest.approx(mean[0], rel=0.01)
    wider = level_paths(usage.law(state()), [1_000.0], 0.25, 1_372.0, widening=1.5)
    assert wider.ahead[0, at, 49] == pytest.approx(paths.ahead[0, at, 49])
    assert wider.ahead[0, at, 0] > paths.ahead[0, at, 0]
    assert wider.ahead[0, at, 98] < paths.ahead[0, at, 98]


def test_a_meter_read_long_ago_is_followed_to_the_day_that_is_asked_for() -> None:
    far = level_paths(usage.law(state()), [1_000.0], 0.0, 1_700.0)
    assert far.knots_d[-1] >= 700 > far.knots_d[-2]
    nobody = level_paths(usage.law(state()).take(np.empty(0, int)), np.empty(0), 0.0, 1_700.0)
    assert nobody.ahead.shape == (0, len(KNOTS_D), 99)


def test_on_a_seasonal_clock_operational_days_count() -> None:
    clock = Clock([[2.0] * 12])
    season = np.array([0])
    plain = level_paths(usage.law(state()), [1_000.0], 0.0, 1_372.0)
    fast = level_paths(usage.law(state()), [1_000.0], 0.0, 1_372.0, clock=clock, season=season)
    places = [KNOTS_D.tolist().index(day) for day in (30, 60, 150, 300)]
    np.testing.assert_allclose(fast.ahead[0, places[0]], plain.ahead[0, places[1]])
    np.testing.assert_allclose(fast.ahead[0, places[2]], plain.ahead[0, places[3]])


@pytest.mark.parametrize("level", [0.025, 0.5, 0.9])
def test_a_standing_meter_covers_nothing_until_its_level_runs_again(level: float) -> None:
    # method.md section 2: idle for 20 days; with chance p it stands on for less than
    # (20 + 30) · ((1 − p)^(−1/2) − 1), and who covers little stands long
    idle = usage.law(state(20.0))
    stands_d = 50 * (1 / np.sqrt(level) - 1)
    ahead = level_distances(idle, np.array([[stands_d / 2, stands_d, stands_d + 100]]), [level])
    assert ahead[0, :2, 0].tolist() == pytest.approx([0, 0], abs=1e-6)
    running = level_distances(usage.law(state()), np.array([[100.0]]), [level])
    assert ahead[0, 2, 0] == pytest.approx(running[0, 0, 0])


def test_moments_of_a_standing_meter_are_those_of_its_levels() -> None:
    both = usage.start([0.0, 0.0], [0.0, 0.0], 100.0, 0.3)
    both.idle_d[1] = 20
    mean, var = moments_ahead(usage.law(both), 90.0)
    plain = usage.moments(both, [90.0, 90.0])
    assert (mean[0], var[0]) == (plain[0][0], plain[1][0])
    each = level_distances(usage.law(both), np.full((2, 1), 90.0), LEVELS)[1, 0]
    assert (mean[1], var[1]) == (pytest.approx(each.mean()), pytest.approx(each.var()))
    assert mean[1] < mean[0]


def test_levels_that_end_sooner_are_the_same_so_far() -> None:
    idle = usage.law(state(idle_d=20.0))
    for law in (usage.law(state()), idle):
        whole = level_paths(law, [1_000.0], 0.0, 1_084.0)
        short = level_paths(law, [1_000.0], 0.0, 1_084.0, least_d=0.0)
        assert (len(short.knots_d), short.knots_d[-1]) == (12, 100)
        assert (short.ahead == whole.ahead[:, :12]).all()


def test_of_many_standing_meters_each_is_followed_as_if_alone() -> None:
    meters = 2 * STANDING_AT_ONCE + 3
    states = usage.start(*np.full((4, meters), [[1_000.0], [5_000.0], [100.0], [0.3]]))
    states.idle_d[:] = np.linspace(0.0, 60.0, meters)
    h_d = np.linspace(1.0, 90.0, meters)[:, None] * [1.0, 2.0, 5.0]
    found = level_distances(usage.law(states), h_d, LEVELS)
    for at in (0, 1, STANDING_AT_ONCE, STANDING_AT_ONCE + 1, meters - 1):
        alone = level_distances(usage.law(states.take(np.array([at]))), h_d[[at]], LEVELS)
        assert (found[at] == alone[0]).all()
    for meter, level in product((1, 7), (0, 50, 98)):
        # (idle + 30)·((1 − p)^(−1/2) − 1) days standing, then running
        left_d = (float(states.idle_d[meter]) + 30) * ((1 - (1 - LEVELS[level])) ** -0.5 - 1)
        running_d = np.maximum(h_d[[meter]] - left_d, 0.0)
        expected = level_distances(usage.law(state()), running_d, LEVELS[[level]])[0, :, 0]
        assert found[meter, :, level] == pytest.approx(expected)
