"""How long a shelf lasts, by hand: in ten days 30 are needed, in the next none, then 60."""

from datetime import date
from math import inf

import pytest

from fleet.calc.lots import Lot
from fleet.calc.shelf_path import MeanPath, runs_out

PATH = MeanPath(100.0, (110.0, 120.0, 130.0), (30.0, 0.0, 60.0))


@pytest.mark.parametrize(
    ("at_d", "needed"),
    [(90, 0), (100, 0), (105, 15), (110, 30), (115, 30), (121, 36), (130, 90), (140, 120)],
)
def test_the_mean_of_a_month_is_spread_over_it(at_d: float, needed: float) -> None:
    assert PATH.before(at_d) == pytest.approx(needed)  # past the end 3 a day, as on average before


@pytest.mark.parametrize(
    ("quantity", "at_d"), [(-1, 100), (0, 100), (15, 105), (30, 120), (36, 121), (90, None)]
)
def test_a_quantity_lasts_until_more_is_needed(quantity: float, at_d: float | None) -> None:
    assert PATH.reached(quantity) == (None if at_d is None else pytest.approx(at_d))


def test_without_a_forecast_nothing_is_needed_and_all_lasts() -> None:
    nothing = MeanPath(100.0, (), ())
    assert (nothing.before(500.0), nothing.reached(0.0)) == (0.0, None)
    assert nothing.reached(-1.0) == 100.0  # more was used than came


@pytest.mark.parametrize(
    ("lots", "coming", "at_d"),
    [
        ([(15, inf)], [], 105),
        ([(15, 104)], [], 104),  # by then 12 are used, and 3 are thrown away
        ([(15, 104), (10, inf)], [], 107 + 1 / 3),  # 22 in all
        ([(5, 100), (10, inf)], [], 103 + 1 / 3),  # what is too old by now serves nobody
        ([(36, inf)], [(120.0, 24)], 125),
        ([(15, inf)], [(106.0, 50)], 105),  # it comes a day too late
        ([(15, inf)], [(105.0, 3)], 106),
        ([(15, inf)], [(104.0, 3), (112.0, 999)], 106),
        ([(100, inf)], [], None),
        ([(-4, inf)], [(100.0, 10)], 102),
        ([(-4, inf)], [(101.0, 10)], 100),
        ([], [(100.0, 9)], 103),
    ],
)
def test_a_shelf_is_empty_when_need_goes_beyond_what_keeps_and_what_comes(
    lots: list[tuple[int, float]], coming: list[tuple[float, int]], at_d: float | None
) -> None:
    there = [Lot("", None, left) for left, _ in lots]
    found = runs_out(PATH, there, [until_d for _, until_d in lots], coming)
    assert found == (None if at_d is None else pytest.approx(at_d))


def test_lots_carry_dates_of_their_own_that_this_does_not_look_at() -> None:
    assert runs_out(PATH, [Lot("A", date(1970, 1, 1), 15)], [inf], []) == pytest.approx(105)
