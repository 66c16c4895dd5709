"""Totals between readings and the day a total was reached, against np.interp and by hand."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.km_at import km_at, reached_at_d

OFFSETS = [0, 3, 3, 4]
AT_D = [0.0, 10.0, 30.0, 5.0]
KM = [100.0, 600.0, 1600.0, 50.0]


def test_totals_lie_on_the_line_between_readings() -> None:
    got = km_at(OFFSETS, AT_D, KM, [0, 0, 0, 0], [0.0, 4.0, 10.0, 20.0])
    np.testing.assert_allclose(got, [100, 300, 600, 1100])


def test_nothing_is_said_outside_the_readings() -> None:
    assert np.isnan(km_at(OFFSETS, AT_D, KM, [0, 0, 1, 2, 2], [-0.1, 30.1, 5, 4, 6])).all()
    assert km_at(OFFSETS, AT_D, KM, [2], [5.0])[0] == 50


def test_no_readings_at_all_give_no_totals() -> None:
    assert np.isnan(km_at([0, 0], [], [], [0], [1.0])).all()
    assert np.isnan(reached_at_d([0, 0], [], [], [1.0])).all()


def test_the_day_a_limit_was_reached_lies_on_the_same_line() -> None:
    got = reached_at_d(OFFSETS, AT_D, KM, [1100.0, 100.0, 50.0])
    np.testing.assert_array_equal(got, [20.0, np.nan, 5.0])


def test_several_limits_of_each_row_are_asked_at_once() -> None:
    got = reached_at_d(OFFSETS, AT_D, KM, [[1100.0, 600.0], [50.0, 60.0], [50.0, 51.0]])
    np.testing.assert_array_equal(got, [[20.0, 10.0], [np.nan, np.nan], [5.0, np.nan]])
    assert reached_at_d([0], [], [], np.empty((0, 2))).shape == (0, 2)


def test_a_limit_below_the_first_reading_was_reached_by_then() -> None:
    assert reached_at_d([0, 2], [7.0, 9.0], [500.0, 700.0], [20.0])[0] == 7.0


def test_a_limit_not_reached_has_no_day() -> None:
    assert np.isnan(reached_at_d([0, 2], [7.0, 9.0], [500.0, 700.0], [700.1])[0])


def test_rounding_alone_does_not_hide_that_a_limit_was_reached() -> None:
    assert 0.1 + 0.2 > 0.3
    assert reached_at_d([0, 2], [7.0, 9.0], [0.1, 0.3], [0.1 + 0.2])[0] == 9.0


def test_what_was_reached_stays_reached_when_a_reading_is_a_little_lower() -> None:
    got = reached_at_d([0, 4], [0.0, 1.0, 2.0, 3.0], [10.0, 20.0, 19.5, 30.0], [19.75])
    assert got[0] == 0.975


@given(
    steps=st.lists(st.floats(0.01, 100), min_size=2, max_size=9),
    share=st.floats(0, 1),
    other=st.integers(0, 3),
)
def test_any_row_agrees_with_plain_interpolation(
    steps: list[float], share: float, other: int
) -> None:
    at_d, km = np.cumsum(steps), np.cumsum(steps[::-1])
    asked = min(at_d[0] + share * (at_d[-1] - at_d[0]), at_d[-1])
    offsets = [0, other, other + len(steps)]
    times, totals = np.append(np.arange(other), at_d), np.append(np.arange(other), km)
    got = km_at(offsets, times, totals, [1], [asked])[0]
    np.testing.assert_allclose(got, np.interp(asked, at_d, km), rtol=1e-9)
    limit = km[0] + share * (km[-1] - km[0])
    back = reached_at_d(offsets, times, totals, [-1.0, limit])[1]
    np.testing.assert_allclose(back, np.interp(limit, km, at_d), rtol=1e-9)
