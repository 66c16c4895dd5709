"""Drawing groups. Expected values by hand."""

import numpy as np

from fleet.calc.trial_draw import LEFT_OUT, draw_groups, match_pairs


def test_half_of_each_stratum_is_drawn() -> None:
    stratum = np.repeat([0, 1, 2], [6, 4, 2])
    tried = draw_groups(stratum, seed=1)
    assert np.bincount(stratum, tried).tolist() == [3, 2, 1]


def test_odd_strata_take_turns_so_that_groups_stay_equal() -> None:
    for seed in range(20):
        assert draw_groups(np.repeat([0, 1, 2, 3], [5, 3, 7, 3]), seed).sum() == 9


def test_the_same_seed_draws_the_same_groups_and_another_others() -> None:
    stratum = np.zeros(20, int)
    first = draw_groups(stratum, seed=1)
    assert (first == draw_groups(stratum, seed=1)).all()
    assert any((first != draw_groups(stratum, seed)).any() for seed in (2, 3))


def test_every_vehicle_is_as_likely_to_be_drawn() -> None:
    """1,000 draws of 4 out of 8: a binomial share of .5 has a standard error of .016."""
    share = np.mean([draw_groups(np.zeros(8, int), seed) for seed in range(1_000)], axis=0)
    assert np.abs(share - 0.5).max() < 4 * 0.016


def test_pairs_are_neighbours_within_their_depot() -> None:
    pair = match_pairs([0, 0, 0, 0, 1, 1, 1], [50, 90, 52, 88, 10, 70, 12])
    assert pair[0] == pair[2] != pair[1] == pair[3]
    assert pair[4] == pair[6]
    assert pair[5] == LEFT_OUT
