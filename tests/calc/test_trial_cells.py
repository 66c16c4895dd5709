"""Cells and scores at equal fluid age. Expected values worked by hand from the rule as stated."""

import numpy as np
import pytest

from fleet.calc.trial_cells import BEYOND, IN_RUN_IN, Ages, band_of, cells, compare, counting_bands

AGES = Ages(interval_km=13_000)  # four bands of 3,000 km from 1,000 km on
NAN = np.nan


@pytest.mark.parametrize(
    ("age_km", "age_d", "band"),
    [
        (999.9, 40, IN_RUN_IN),  # T-08: fresh fluid feels better whatever the brand
        (5_000, 29.9, IN_RUN_IN),  # a fast vehicle: 30 days have not passed
        (1_000, 30, 0),
        (3_999, 60, 0),
        (4_000, 60, 1),
        (13_000, 200, 3),
        (13_001, 200, BEYOND),
        (NAN, NAN, BEYOND),
        (5_000, NAN, BEYOND),
    ],
)
def test_a_rating_counts_from_the_end_of_run_in_to_the_shorter_interval(
    age_km: float, age_d: float, band: int
) -> None:
    assert band_of([age_km], [age_d], AGES).tolist() == [band]


def test_a_cell_is_the_mean_of_a_vehicle_in_a_band() -> None:
    found = cells([0, 0, 1, 1], [0, 0, 2, IN_RUN_IN], [3, 4, 5, 1], vehicles=3)
    expected = np.full((3, 4), NAN)
    expected[0, 0], expected[1, 2] = 3.5, 5
    np.testing.assert_array_equal(found, expected)


def test_a_band_counts_from_three_vehicles_of_each_group_on() -> None:
    cell = np.full((7, 4), 3.0)
    cell[0, 1] = cell[6, 2] = NAN
    in_b = np.array([False] * 3 + [True] * 4)
    assert counting_bands(cell, in_b).tolist() == [True, False, True, True]


def test_a_score_is_the_mean_above_the_band() -> None:
    cell = np.full((6, 4), NAN)
    cell[:, 0] = [1, 2, 3, 4, 5, 3]  # mean 3
    cell[:, 1] = [1, 1, 1, 3, 3, 3]  # mean 2
    compared = compare(cell, np.arange(6) >= 3, np.zeros(6, int))
    np.testing.assert_allclose(compared.score, [-1.5, -1, -0.5, 1, 1.5, 0.5])
    np.testing.assert_allclose(compared.indicator, [-0.5] * 3 + [0.5] * 3)


def test_what_only_one_group_reached_does_not_count() -> None:
    cell = np.full((6, 4), 3.0)
    cell[:3, 3] = NAN  # only B was driven so far
    cell[3:, 3] = 1  # and felt bad there
    compared = compare(cell, np.arange(6) >= 3, np.zeros(6, int))
    assert not compared.counting[3]
    np.testing.assert_array_equal(compared.score, np.zeros(6))


def test_a_vehicle_without_a_cell_is_not_used() -> None:
    cell = np.full((7, 4), 3.0)
    cell[0] = NAN
    compared = compare(cell, np.arange(7) >= 4, np.zeros(7, int))
    assert np.flatnonzero(~compared.used).tolist() == [0]
    assert np.isnan(compared.score[0])


def test_a_vehicle_whose_partner_has_no_cell_is_not_used() -> None:
    cell = np.full((14, 4), 3.0)
    cell[0] = NAN
    pair = np.arange(14) % 7
    compared = compare(cell, np.arange(14) >= 7, pair)
    assert np.flatnonzero(~compared.used).tolist() == [0, 7]


def test_nothing_is_compared_when_no_band_counts() -> None:
    compared = compare(np.full((6, 4), NAN), np.arange(6) >= 3, np.zeros(6, int))
    assert not compared.used.any()
    assert not compared.counting.any()
