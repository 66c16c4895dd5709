"""Sums of what vehicles bring into weeks. Expected figures: every level of every vehicle followed
one by one under each value of the factor, with weights from the plain formula."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm

from fleet.calc.weeks_ahead import PER_UNIT, Runs, moments, outcomes, sums

WEEKS, LEVELS, NODES = 3, 99, 41
Z = norm.ppf((np.arange(NODES) + 0.5) / NODES)

Vehicle = tuple[list[tuple[int, list[int]]], list[int]]  # minutes and levels by service; steps


def weights(rho: float) -> NDArray[np.float64]:
    """Probability of each level under each value of the factor (Vasicek 2002)."""
    edges = norm.ppf(np.arange(LEVELS + 1) / LEVELS)
    below = norm.cdf((edges[:, None] + rho * Z) / np.sqrt(1 - rho * rho))
    return np.asarray(np.diff(below, axis=0))


def plainly(vehicles: list[Vehicle], week: int) -> tuple[int, list[float], list[float]]:
    """Vehicles with a part, means and variances of minutes and services."""
    count, means, variances = 0, np.zeros((2, NODES)), np.zeros(2)
    for services, rho in vehicles:
        at_level = np.zeros((2, LEVELS))
        for minutes, before in services:
            inside = slice(before[week - 1] if week else 0, before[week])
            at_level[:, inside] += np.array([[minutes], [1]])
        share = weights(rho[week] * 0.02)
        mean = at_level @ share
        means += mean
        variances += ((at_level**2) @ share - mean**2).mean(axis=1)
        count += bool(at_level.any())
    total = variances + means.var(axis=1)
    return count, means.mean(axis=1).tolist(), total.tolist()


def runs(vehicles: list[Vehicle]) -> Runs:
    rows = [(at, *one) for at, (services, _) in enumerate(vehicles) for one in services]
    return Runs(
        vehicle=np.array([row[0] for row in rows], dtype=np.int64),
        minutes=np.array([row[1] for row in rows], dtype=np.int64),
        before=np.array([row[2] for row in rows], dtype=np.int64).reshape(-1, WEEKS),
        rho=np.array([rho for _, rho in vehicles], dtype=np.int64),
    )


def summed(vehicles: list[Vehicle]) -> NDArray[np.int64]:
    """Of vehicles of one class."""
    own = runs(vehicles)
    return sums(own, np.zeros(len(own.rho), dtype=np.int64), 1)[0]


levels = st.lists(st.integers(0, LEVELS), min_size=WEEKS, max_size=WEEKS).map(sorted)
service = st.tuples(st.integers(1, 60).map(lambda n: 5 * n), levels)
rhos = st.lists(st.integers(0, 45), min_size=WEEKS, max_size=WEEKS)
fleets = st.lists(
    st.tuples(st.lists(service, min_size=1, max_size=4), rhos), min_size=1, max_size=5
)


@given(fleets)
def test_sums_are_what_following_every_level_gives(vehicles: list[Vehicle]) -> None:
    found = summed(vehicles)
    for week in range(WEEKS):
        count, mean, var = plainly(vehicles, week)
        ours = moments([found[week]])
        assert ours.vehicles == count
        assert ours.mean.tolist() == pytest.approx(mean, rel=1e-5, abs=1e-4)
        assert ours.var.tolist() == pytest.approx(var, rel=1e-5, abs=1e-2)


@given(fleets, st.data())
def test_what_is_taken_away_again_leaves_no_trace(
    vehicles: list[Vehicle], data: st.DataObject
) -> None:
    order = data.draw(st.permutations(vehicles))
    first, rest = order[:1], order[1:]
    one_by_one = sum((summed([one]) for one in rest), np.zeros_like(summed(first)))
    assert (summed(vehicles) - summed(first) == one_by_one).all()


@given(fleets, st.data())
def test_classes_are_summed_apart(vehicles: list[Vehicle], data: st.DataObject) -> None:
    group = data.draw(st.lists(st.integers(0, 2), min_size=len(vehicles), max_size=len(vehicles)))
    found = sums(runs(vehicles), np.array(group), 4)
    for at, own in enumerate(found):
        mine = [one for one, place in zip(vehicles, group, strict=True) if place == at]
        assert (own == (summed(mine) if mine else 0)).all()


def test_a_certain_service_is_counted_whole_in_its_week_alone() -> None:
    found = summed([([(30, [0, 99, 99])], [10, 10, 10])])
    week = moments([found[1]])
    assert (week.vehicles, week.mean.tolist(), week.var.tolist()) == (1, [30.0, 1.0], [0.0, 0.0])
    assert not found[[0, 2]].any()


def test_classes_are_independent_of_each_other() -> None:
    own = summed([([(60, [50, 99, 99])], [45, 45, 45])])[0]
    alone, both = moments([own]), moments([own, own])
    assert both.mean.tolist() == (2 * alone.mean).tolist()
    assert both.var.tolist() == pytest.approx((2 * alone.var).tolist())
    # in one class the factor spreads them more: mean of one of 60 minutes over 50 of 99 levels
    together = moments([2 * own])
    assert together.mean[0] == pytest.approx(2 * 60 * 50 / 99, abs=1e-4)
    assert together.var[0] > both.var[0] + 60


def test_nothing_is_brought_by_nobody() -> None:
    nothing = moments([])
    assert (nothing.vehicles, nothing.mean.tolist(), nothing.var.tolist()) == (0, [0, 0], [0, 0])


def test_a_million_vehicles_are_added_up_without_rounding_or_running_over() -> None:
    day_of_work = summed([([(480, [50, 99, 99])], [0, 0, 0])])[0]
    assert int(np.abs(day_of_work).max()) * 10**6 < 2**63
    assert 10**6 / PER_UNIT < 1  # each is rounded by at most half a part: less than a minute


def test_outcomes_name_what_falls_into_a_week_at_each_level() -> None:
    two = runs([([(30, [10, 20, 99]), (45, [15, 15, 99])], [0, 0, 0])])
    first, second = outcomes(two, 0, two.minutes), outcomes(two, 1, two.minutes)
    assert first[0].tolist() == [75] * 10 + [45] * 5 + [0] * 84
    assert second[0].tolist() == [0] * 10 + [30] * 10 + [0] * 79
