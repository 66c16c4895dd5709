"""Page's trend test: the example of SciPy's documentation (M-53), ten raters and three grades."""

import numpy as np
import pytest

from fleet.calc.trial_trend import falls_with_age

RISING = np.array(
    [[3, 4, 3], [2, 2, 4], [3, 3, 5], [1, 3, 2], [2, 3, 2], [2, 4, 5], [1, 2, 4], [3, 4, 4],
     [2, 4, 5], [1, 3, 4]], float
)  # fmt: skip


def bands(table: np.ndarray) -> np.ndarray:
    """Three bands reached, the fourth not yet."""
    return np.column_stack([table, np.full(len(table), np.nan)])


def test_ratings_that_fall_are_found() -> None:
    found = falls_with_age(bands(RISING[:, ::-1]))
    assert found.statistic == 133.5
    assert found.p_value == pytest.approx(0.0018191161948, rel=1e-9)
    assert found.bands == 3


def test_ratings_that_rise_do_not_pass_for_falling() -> None:
    assert falls_with_age(bands(RISING)).p_value > 0.999


def test_vehicles_with_a_gap_are_left_out_and_named() -> None:
    table = bands(RISING[:, ::-1])
    gap = np.array([[5.0, np.nan, 1.0, np.nan]])
    found = falls_with_age(np.concatenate([gap, table]))
    assert found.statistic == 133.5
    assert found.complete.tolist() == [False] + [True] * 10


@pytest.mark.parametrize("cell", [bands(RISING[:3]), RISING[:, :2], np.full((5, 4), np.nan)])
def test_too_little_is_not_tested(cell: np.ndarray) -> None:
    assert np.isnan(falls_with_age(cell).p_value)
