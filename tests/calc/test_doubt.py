"""What readings around a day allow, and which entries do not go together: by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.doubt import allowed, odd_ones_out, slips

NAN = np.nan


# between the neighbours ± 3 % of the km between them (method.md section 3); figures are noted in
# whole km, or in whole miles of 1.6 km
@pytest.mark.parametrize(
    ("before", "after", "ahead", "span"),
    [
        (40_000, 41_000, (NAN, NAN), (39_970, 41_030)),
        (40_000, 40_010, (NAN, NAN), (39_998, 40_012)),
        (NAN, 41_000, (NAN, NAN), (0, 41_002)),
        (40_000, NAN, (40_300, 42_000), (40_298, 42_002)),
        (40_000, NAN, (NAN, 42_000), (39_998, 42_002)),
        (41_000, 40_000, (NAN, NAN), (39_970, 41_030)),
        (NAN, NAN, (NAN, NAN), (0, np.inf)),
    ],
)
def test_what_is_allowed(
    before: float, after: float, ahead: tuple[float, float], span: tuple[float, float]
) -> None:
    low, high = allowed([before], [after], [ahead[0]], [ahead[1]])
    assert (low[0], high[0]) == pytest.approx(span)


def test_a_slip_is_named_when_it_fits() -> None:
    assert slips(390_000, 38_000, 40_000) == [(39_000, "one digit too many")]
    assert slips(3_900, 38_000, 40_000) == [(39_000, "one digit lost")]
    assert slips(24_233, 38_000, 40_000)[0][1] == "noted in miles"
    assert slips(62_764, 38_000, 40_000)[0][1] == "converted from miles twice"
    assert slips(50_000, 38_000, 40_000) == []


@pytest.mark.parametrize(
    ("day", "total", "odd"),
    [
        ([0, 10, 20], [1_000, 2_000, 3_000], []),
        ([0, 10, 20], [1_000, 90_000, 3_000], [1]),
        ([0, 10, 20, 30], [1_000, 2_000, 500, 3_000], [2]),
        ([0, 10, 20], [50_000, 2_000, 3_000], [0]),
        ([0, 0, 10], [1_010, 1_000, 2_000], []),
        ([0, 10], [1_000, 10_901], [1]),  # 900 km a day for 11 days are 9,900 km
        ([0, 10], [1_000, 10_900], []),
        ([0, 0], [1_000, 1_901], [1]),  # more than 900 km within a day
        ([], [], []),
    ],
)
def test_the_most_that_go_together_are_believed(
    day: list[float], total: list[float], odd: list[int]
) -> None:
    assert odd_ones_out(day, total, 900) == odd


@given(st.lists(st.integers(0, 900), min_size=1, max_size=12), st.data())
def test_one_wrong_entry_among_right_ones_is_the_one_named(
    steps: list[int], data: st.DataObject
) -> None:
    total = np.cumsum([10_000, 10, *steps, 10]).tolist()
    wrong = data.draw(st.integers(1, len(total) - 2))
    total[wrong] += 1_000_000
    assert odd_ones_out(list(range(len(total))), total, 900) == [wrong]
