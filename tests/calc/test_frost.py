"""How cold coolant must stay liquid, by hand."""

import pytest

from fleet.calc.frost import target_c


@pytest.mark.parametrize(
    ("coldest_c", "most_c"),
    [(-20.0, -35.0), (0.0, -15.0), (12.0, -15.0)],  # 15 below the coldest month, never above -15
)
def test_coolant_stays_liquid_below_the_coldest_month(coldest_c: float, most_c: float) -> None:
    assert target_c(coldest_c) == most_c
