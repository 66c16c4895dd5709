"""To what sums on a shelf are told: by hand."""

import pytest

from fleet.stores.read_off import read_off


@pytest.mark.parametrize(
    ("amount", "told"),
    [(54.657, 54.7), (1.555, 1.6), (0.6573, 0.66), (-0.6573, -0.66), (-2.36, -2.4), (0.004, 0)],
)
def test_a_shelf_is_read_to_a_tenth_and_below_one_to_a_hundredth(
    amount: float, told: float
) -> None:
    assert read_off(amount) == told


def test_nothing_has_no_sign() -> None:
    assert str(read_off(-0.001)) == "0.0"
