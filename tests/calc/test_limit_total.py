"""The total at which a limit was first reached, across changes of duty class: by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.calc.life import limit_total

NAN = np.nan
Stretch = tuple[float, float, float]  # total at both ends, interval [km]


def passed(*stretches: Stretch) -> tuple[float, float]:
    """Life used and the total at the limit."""
    begin, end, interval = zip(*stretches, strict=True)
    life, total = limit_total([0, len(stretches)], begin, end, interval)
    return float(life[0]), float(total[0])


@pytest.mark.parametrize(
    ("stretches", "life", "total"),
    [
        # one class: anchor + interval
        ([(10_000, 40_000, 60_000)], 0.5, 70_000),
        # half of 40,000 km normal, then severe at 20,000 km: the other half ends at 30,000 km
        ([(0, 20_000, 40_000), (20_000, 25_000, 20_000)], 0.75, 30_000),
        # passed at 30,000 km in normal duty; severe since then moves nothing: 33,300/30,000 = 1.11
        ([(0, 33_300, 30_000), (33_300, 34_700, 20_000)], 1.18, 30_000),
        # .4 normal, .6 of 20,000 km severe: passed at 24,000 km, then normal again
        ([(0, 12_000, 30_000), (12_000, 26_000, 20_000), (26_000, 29_000, 30_000)], 1.2, 24_000),
        # passed in severe duty, and normal duty has no such limit
        ([(0, 22_000, 20_000), (22_000, 30_000, NAN)], 1.1, 20_000),
        # not passed, and no such limit now: what was used stays used
        ([(0, 10_000, 20_000), (10_000, 30_000, NAN)], 0.5, NAN),
        # reached on the very day of the change
        ([(0, 20_000, 20_000), (20_000, 25_000, 40_000)], 1.125, 20_000),
        # done 300 km beyond the last reading
        ([(50_300, 50_000, 10_000)], -0.03, 60_300),
        ([(0, 10_000, NAN)], NAN, NAN),
    ],
)
def test_where_the_limit_lies(stretches: list[Stretch], life: float, total: float) -> None:
    assert passed(*stretches) == pytest.approx((life, total), nan_ok=True)


def test_rows_of_different_lengths_keep_apart() -> None:
    life, total = limit_total(
        [0, 1, 3], [0, 0, 30_000], [5_000, 30_000, 35_000], [10_000, 20_000, NAN]
    )
    np.testing.assert_allclose(life, [0.5, 1.5])
    np.testing.assert_allclose(total, [10_000, 20_000])


INTERVALS = st.sampled_from([NAN, 10_000.0, 20_000.0, 40_000.0])
PARTS = st.lists(st.tuples(st.integers(0, 30_000), INTERVALS), min_size=1, max_size=5)


def laid(parts: list[tuple[int, float]]) -> list[Stretch]:
    ends = np.cumsum([0, *[grown for grown, _ in parts]]).astype(float)
    return [(ends[at], ends[at + 1], interval) for at, (_, interval) in enumerate(parts)]


@settings(deadline=None)
@given(PARTS, PARTS)
def test_what_takes_effect_later_never_moves_what_was_passed(
    before: list[tuple[int, float]], later: list[tuple[int, float]]
) -> None:
    life, total = passed(*laid(before))
    if not total <= laid(before)[-1][1]:
        return  # not passed yet
    life_later, total_later = passed(*laid([*before, *later]))
    assert total_later == total
    assert life_later >= life


@settings(deadline=None)
@given(PARTS, PARTS)
def test_life_used_never_falls(
    before: list[tuple[int, float]], later: list[tuple[int, float]]
) -> None:
    life = passed(*laid(before))[0]
    assert not passed(*laid([*before, *later]))[0] < life - 1e-12
