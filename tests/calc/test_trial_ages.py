"""The fill at an instant. Expected values by hand."""

import numpy as np

from fleet.calc.trial_ages import age, newest

OWNER, AT_D = [3, 3, 7], [100.0, 200.0, 150.0]


def test_the_newest_event_not_after_an_instant_is_found() -> None:
    found = newest(OWNER, AT_D, [3, 3, 3, 7, 7, 5], [99.9, 100.0, 250.0, 151.0, 10.0, 999.0])
    assert found.tolist() == [-1, 0, 1, 2, -1, -1]


def test_without_events_there_is_none() -> None:
    assert newest([], [], [3], [1.0]).tolist() == [-1]


def test_an_age_is_never_below_zero_and_unknown_stays_unknown() -> None:
    np.testing.assert_array_equal(age([10, 10, np.nan], [15, 9, 5]), [5, 0, np.nan])
