"""Whole packs in integers, against published worked examples and brute force."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.packs import (
    cheapest_packs,
    drawn,
    fewest_packs,
    left_of_receipts,
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
    for act in (lambda: packs_for(1, 0), lambda: fewest_packs(1, [0]), lambda: fewest_packs(1, [])):
        with pytest.raises(ValueError, match="more than nothing"):
            act()


@given(NEEDED, SIZES)
def test_the_fewest_packs_are_those_of_brute_force(needed: int, sizes: list[int]) -> None:
    best = min((sum(counts), held(counts, sizes)) for counts in ways(needed, sizes))
    found = fewest_packs(needed, sizes)
    assert (sum(found.counts), found.quantity) == best
    assert held(found.counts, sizes) == found.quantity


@given(NEEDED, st.lists(st.tuples(st.integers(1, 12), st.integers(0, 30)), min_size=1, max_size=3))
def test_the_cheapest_packs_are_those_of_brute_force(
    needed: int, packs: list[tuple[int, int]]
) -> None:
    sizes, prices = [size for size, _ in packs], [price for _, price in packs]
    best = min((held(counts, prices), held(counts, sizes)) for counts in ways(needed, sizes))
    found = cheapest_packs(needed, sizes, prices)
    assert (found.price_minor, found.quantity) == best


def test_packs_without_a_price_are_left_out_while_another_has_one() -> None:
    found = cheapest_packs(1500, [1000, 20_000], [None, 9_000])
    assert (found.counts, found.price_minor) == ((0, 1), 9_000)
    unpriced = cheapest_packs(1500, [1000, 500], [None, None])
    assert (unpriced.counts, unpriced.price_minor) == ((1, 1), None)


def test_a_drum_among_bottles_is_found_without_trying_everything() -> None:
    # by hand: three drums hold 600 L at 300.00; the 3.2 L left are four quarts (39.96)
    sizes, prices = [946, 1000, 5000, 200_000], [999, 1050, 4900, 30_000]
    found = cheapest_packs(603_200, sizes, prices)
    assert found.counts[3] == 3
    assert found.price_minor == 3 * 30_000 + 4 * 999


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


@given(st.integers(-50, 100), st.lists(st.integers(1, 30), max_size=6))
def test_what_is_left_of_receipts_is_what_is_there(on_hand: int, received: list[int]) -> None:
    left = left_of_receipts(on_hand, received)
    assert left.sum() == min(max(on_hand, 0), sum(received))
    opened = [at for at, rest in enumerate(left) if 0 < rest < received[at]]
    assert len(opened) <= 1  # the oldest first: at most one is begun


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
