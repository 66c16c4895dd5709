"""Lots by hand, and what must hold of them whatever comes and goes."""

from collections import defaultdict
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.lots import Lot, Step, lots, oldest, past_use, usable

JUNE, JULY, AUGUST = date(2026, 6, 30), date(2026, 7, 31), date(2026, 8, 31)
A, B = Step(1000, "A", JUNE), Step(500, "B", AUGUST)

# all by hand: what goes, and what is left of A (June), B (August) and what nobody labelled
CASES = [
    ([], [("A", 1000), ("B", 500)]),
    ([Step(-300)], [("A", 700), ("B", 500)]),  # the oldest
    ([Step(-1200)], [("B", 300)]),  # the rest falls on the next
    ([Step(-300, "B")], [("A", 1000), ("B", 200)]),  # its own
    ([Step(-600, "B")], [("A", 900)]),  # what its own lacks falls on the oldest
    ([Step(-300, best_before=AUGUST)], [("A", 1000), ("B", 200)]),
    ([Step(-300, "B", JUNE)], [("A", 700), ("B", 500)]),  # there is no such lot
    ([Step(-300, "C")], [("A", 700), ("B", 500)]),
    ([Step(200)], [("A", 1000), ("B", 500), ("", 200)]),  # what nobody labelled is the last
    ([Step(200), Step(-1600)], [("", 100)]),
    ([Step(200, "A")], [("A", 1200), ("B", 500)]),  # of a batch that is known
    ([Step(0)], [("A", 1000), ("B", 500)]),
    ([Step(-1800)], [("", -300)]),  # owed
    ([Step(-1800), Step(200, "C", JULY)], [("", -100)]),  # paid in part
    ([Step(-1800), Step(700, "C", JULY)], [("C", 400)]),
    ([Step(-1500), Step(-1), Step(1, "C", JULY)], []),
]


@pytest.mark.parametrize(("moves", "left"), CASES)
def test_what_goes_falls_on_its_own_lot_and_else_on_the_oldest(
    moves: list[Step], left: list[tuple[str, int]]
) -> None:
    # B came first: older is what is nearer to its best before
    assert [(lot.batch, lot.left) for lot in lots([B, A, *moves])] == left


def test_of_equals_the_first_that_came_is_the_oldest() -> None:
    found = lots([Step(5, "X"), Step(5, "W"), Step(5, "Z", JUNE), Step(5, "Y", JUNE), Step(-7)])
    assert [(lot.batch, lot.left) for lot in found] == [("Y", 3), ("X", 5), ("W", 5)]


def test_a_transfer_takes_the_oldest_with_their_labels() -> None:
    there = lots([B, A, Step(200)])
    assert oldest(there, 1100) == [Step(1000, "A", JUNE), Step(100, "B", AUGUST)]
    assert oldest(there, 300, "B") == [Step(300, "B", AUGUST)]
    assert oldest(there, 600, "B") == [Step(500, "B", AUGUST), Step(100, "B")]
    assert oldest(there, 1000) == [Step(1000, "A", JUNE)]
    assert oldest(there, 1900) == [A, B, Step(200), Step(200)]
    assert oldest([Lot("", None, -5)], 3) == [Step(3)]


def test_the_day_of_the_best_before_is_the_last_day_of_use() -> None:
    there = lots([A, B])
    assert [past_use(there, on) for on in (JUNE, date(2026, 7, 1), date(2026, 9, 1))] == [
        *(0, 1000, 1500)
    ]


@pytest.mark.parametrize(
    ("by_june", "by_august", "expected"),
    [
        (0, 100, 200 + 100),  # June is over: only what is used by August of B
        (600, 800, 600 + 200 + 200),  # A serves 600, B the 200 that are needed after
        (1000, 1500, 1500 + 200),
        (5000, 9000, 1700),  # never more than there is
        (600, 600, 600 + 200),
    ],
)
def test_usable_is_what_will_be_needed_before_it_is_too_old(
    by_june: float, by_august: float, expected: int
) -> None:
    needed = {JUNE: by_june, AUGUST: by_august}
    assert usable(lots([B, A, Step(200)]), lambda on: needed[on]) == expected


def test_what_is_owed_is_usable_below_zero() -> None:
    assert usable(lots([Step(-40)]), lambda on: 0.0) == -40


DATES = st.sampled_from([None, JUNE, JULY, AUGUST])
STEPS = st.lists(
    st.builds(Step, st.integers(-60, 40), st.sampled_from(["", "A", "B"]), DATES), max_size=25
)


@given(STEPS)
def test_lots_add_up_to_what_moved_and_none_is_more_than_came(steps: list[Step]) -> None:
    found = lots(steps)
    assert sum(lot.left for lot in found) == sum(step.quantity for step in steps)
    assert all(lot.left > 0 for lot in found) or [lot.batch for lot in found] == [""]
    came: dict[date | None, int] = defaultdict(int)
    for step in steps:
        came[step.best_before] += max(step.quantity, 0)
    for on in (JUNE, JULY, AUGUST):  # what came without a date may join its batch
        left = sum(lot.left for lot in found if lot.best_before == on)
        assert left <= came[on] + came[None]


@given(STEPS, st.dates(date(2026, 6, 1), date(2026, 9, 30)), st.floats(0, 100))
def test_nothing_past_its_date_is_usable(steps: list[Step], on: date, per_day: float) -> None:
    there = lots(steps)
    found = usable(there, lambda day: per_day * max(0, (day - on).days + 1))
    assert found <= sum(lot.left for lot in there if not lot.past(on))


@given(STEPS, st.integers(1, 200), st.sampled_from(["", "A", "B"]))
def test_what_is_taken_out_adds_up_and_leaves_the_rest(
    steps: list[Step], quantity: int, batch: str
) -> None:
    there = lots(steps)
    taken = oldest(there, quantity, batch)
    assert sum(step.quantity for step in taken) == quantity
    before = {(lot.batch, lot.best_before): lot.left for lot in there if lot.left > 0}
    named = [step for step in taken if (step.batch, step.best_before) in before]
    assert all(step.quantity > 0 for step in taken)
    assert len(named) >= len(taken) - 1  # all but what was lacking
