"""Groups changed in different seasons: warmth is not called a product effect.

The simulation knows the year as a cosine; the method sees month means only.
"""

import numpy as np
import pytest

from fleet.calc.trial_cells import (
    BANDS,
    BEYOND,
    WARMTHS,
    Ages,
    band_of,
    cells,
    compare,
    seasons_apart,
    warmth_of,
    with_warmth,
)
from fleet.calc.trial_inference import infer
from tests.calc.trial_world import Ratings, World, groups_of, ratings, shown_share

LATE = World(late_b_d=180, warmth=0.6, length_d=300)
TRIALS = 600


def test_plain_bands_fall_for_the_weather() -> None:
    """.160 seen for such trials elsewhere; the test below could fail."""
    assert shown_share(LATE, TRIALS, seed=8) > 0.10


def test_within_warmth_the_weather_is_not_called_a_product_effect() -> None:
    rng, p_values = np.random.default_rng(8), []
    for _ in range(TRIALS):
        p_values.append(_p_within_warmth(ratings(LATE, groups_of(LATE).in_b, rng)))
    told = np.array(p_values)
    assert np.mean(told <= 0.05) <= 0.06
    assert np.mean(np.isnan(told)) < 0.1  # most of them do get an answer


def _p_within_warmth(found: Ratings) -> float:
    groups = groups_of(LATE)
    assert seasons_apart(found.vehicle, found.changed_d, groups.in_b)
    band = band_of(found.age_km, found.age_d, Ages(LATE.interval_km))
    column = with_warmth(band, warmth_of(found.mean_c, np.unique(found.mean_c)))
    cell = cells(found.vehicle, column, found.value, groups.in_b.size, BANDS * WARMTHS)
    return infer(compare(cell, groups.in_b, groups.stratum), groups, seed=1, draws=999).p_value


@pytest.mark.parametrize(("late_d", "apart"), [(60, False), (61, True), (-61, True), (0, False)])
def test_sixty_days_between_the_medians_are_not_apart(late_d: float, apart: bool) -> None:
    """By hand: A on days 0, 10, 20 (median 10), B so much later; later changes do not count."""
    in_b = np.array([False] * 3 + [True] * 3)
    vehicle = [0, 1, 2, 3, 4, 5, 0]
    changed_d = [0, 10, 20, late_d, 10 + late_d, 20 + late_d, 500]
    assert seasons_apart(vehicle, changed_d, in_b) is apart


def test_a_group_without_ratings_is_not_apart() -> None:
    assert not seasons_apart([0, 1], [0, 0], np.array([False, False, True]))


def test_thirds_of_the_year() -> None:
    """Twelve months of 0 … 11 °C: thirds end at 3.67 and 7.33 (linear quantiles, by hand)."""
    thirds = warmth_of([0, 3, 4, 7, 8, 11, np.nan], np.arange(12))
    assert thirds.tolist() == [0, 0, 1, 1, 2, 2, BEYOND]


def test_a_depot_without_climate_has_no_thirds() -> None:
    assert warmth_of([1.0, 2.0], [1.0, np.nan]).tolist() == [BEYOND, BEYOND]


def test_age_and_warmth_share_a_number() -> None:
    band, warmth = np.array([0, 3, -1, 2]), np.array([0, 2, 1, BEYOND])
    assert with_warmth(band, warmth).tolist() == [0, 11, BEYOND, BEYOND]
