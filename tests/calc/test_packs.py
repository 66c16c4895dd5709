"""Whole packs in integers, against published worked examples and brute force."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.packs import (
    drawn,
    packs_for,
    packs_within,
    share_of_price,
)

SIZES = st.lists(st.integers(1, 12), min_size=1, max_size=3, unique=True)
NEEDED = st.integers(0, 40)


def ways(needed: int, sizes: list[int]) -> list[tuple[int, ...]]:
    """Every choice of packs that covers the need and has no pack too many."""
    found = product(*(range(-(-needed // size) + 1) for size in sizes))
    return [counts for counts in found if held(counts, sizes) >= needed]


def held(counts: tuple[int, ...], sizes: list[int]) -> int:
    return sum(count * size for count, size in zip(counts, sizes, strict=True))


@pytest.mark.parametrize("bottle_ml", [1000, 946])
def test_a_gearbox_of_a_litre_and_a_half_takes_two_bottles_either_way(bottle_ml: int) -> None:
    # common practice, no source; a US quart is 946.352946 mL (NIST HB 44, appendix C)
    assert packs_for(1500, bottle_ml) == 2


@pytest.mark.parametrize(
    ("needed_ml", "pack_ml", "packs"),
    # exact arithmetic; in binary floating point ceil(2.1 / 0.7) = 4, ceil(6.9 / 2.3) = 4
    [(2100, 700, 3), (6900, 2300, 3), (13_800, 4600, 3), (300, 100, 3), (1, 1000, 1), (0, 5, 0)],
)
def test_packs_are_counted_in_integers(needed_ml: int, pack_ml: int, packs: int) -> None:
    assert packs_for(needed_ml, pack_ml) == packs


def test_nothing_is_bought_for_a_need_below_zero() -> None:
    assert packs_for(-300, 1000) == 0


def test_a_pack_of_nothing_is_refused() -> None:
    for act in (lambda: packs_for(1, 0), lambda: drawn(1, [0], whole_packs=True)):
        with pytest.raises(ValueError, match="more than nothing"):
            act()


@given(st.integers(1, 40), SIZES)
def test_whole_packs_per_job_leave_the_least_over(needed: int, sizes: list[int]) -> None:
    taken = drawn(needed, sizes, whole_packs=True)
    assert taken.used == needed
    assert taken.used + taken.discarded == min(held(way, sizes) for way in ways(needed, sizes))


def test_packs_that_are_kept_leave_nothing_to_discard() -> None:
    assert drawn(700, [1000], whole_packs=False).discarded == 0
    assert drawn(700, [], whole_packs=True).discarded == 0


def test_no_more_is_bought_than_can_be_used_in_time() -> None:
    # by hand: 2.5 L wanted, 2.9 L usable before it is too old: two whole litres
    assert packs_within(2500, 1000, 2900) == 2
    assert packs_within(2500, 1000, -100) == 0


@pytest.mark.parametrize(
    ("quantity", "price_minor", "of_quantity", "expected"),
    [
        (1500, 1299, 1000, 1949),
        (-1500, 1299, 1000, -1949),
        (1, 1, 2, 1),
        (1, 1, 3, 0),
        (0, 5, 2, 0),
    ],
)  # by hand: 1948.5 → 1949, .5 → 1, .333 → 0
def test_a_part_costs_its_share_rounded_half_away_from_zero(
    quantity: int, price_minor: int, of_quantity: int, expected: int
) -> None:
    assert share_of_price(quantity, price_minor, of_quantity) == expected
