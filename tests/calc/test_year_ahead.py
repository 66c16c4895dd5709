"""The days ahead, followed by hand: steady vehicles, so that every future is the same."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.year_ahead import FUTURES, Span, Tally, Terms, draw_levels, follow
from tests.calc.demand_cases import Array, services, steady

DAYS = 365
SPAN = Span(0, np.zeros(DAYS, dtype=np.int64), 1)
KM_PER_DAY = 100.0
EVERY_DAY, AMPLE_MIN = np.ones((1, DAYS + 14)), 10_000.0


def terms(
    vehicles: int = 1,
    capacity_min: float = AMPLE_MIN,
    open_days: Array = EVERY_DAY,
    early_share: float = 0.0,
    vehicle: Array | None = None,
    **given: object,
) -> Terms:
    """One service of 60 minutes for each vehicle, at one depot, with 20 minutes for each visit."""
    vehicle = np.arange(vehicles) if vehicle is None else vehicle
    n = len(vehicle)
    paths = steady(KM_PER_DAY, 1e-9, vehicles)
    return Terms(
        begin_d=0,
        key=np.arange(n),
        services=services(n, km_meter=vehicle, **given),
        km=paths,
        hours=paths,
        vehicle=vehicle,
        level=draw_levels(np.arange(vehicles), np.zeros(vehicles, np.int64), np.zeros(vehicles)),
        depot=np.zeros(vehicles, dtype=np.int64),
        unit=np.zeros(n, dtype=np.int64),
        units=1,
        early_share=np.full(n, early_share),
        work_min=np.full(n, 60.0),
        is_round=np.zeros(n, dtype=bool),
        late_minor=np.full(n, 4_000.0),
        capacity_min=open_days * capacity_min,
        set_up_min=np.array([20.0]),
    )


def every(figures: Array) -> float:
    """The figure that is the same in every future."""
    assert np.ptp(figures.sum(axis=(0, 1))) == 0
    return float(figures.sum(axis=(0, 1))[0])


def lived(given: Terms) -> Tally:
    return follow(given, DAYS, SPAN)[0]


def test_half_the_interval_is_twice_the_changes_and_twice_the_minutes() -> None:
    # 100 km a day, 4,040 km done of 8,080: days 40, 120, 200, 280, 360; of 4,040: 0, 40, … 360
    long = lived(terms(km_left=4_040.0, km=8_080.0))
    short = lived(terms(km_left=0.0, km=4_040.0))
    assert (every(long.counts), every(short.counts)) == (5, 10)
    assert (every(long.work_min), every(short.work_min)) == (5 * 80, 10 * 80)
    assert every(short.overdue_d) == 0


def test_what_the_minutes_do_not_suffice_for_waits_and_is_late() -> None:
    # three vehicles due today, 80 minutes each: one a day, so one a day late and one two
    tally = lived(terms(3, capacity_min=80.0, km_left=0.0))
    assert every(tally.overdue_d) == 1 + 2
    assert every(tally.late_min) == 2 * 60
    assert every(tally.late_minor) == 3 * 4_000


def test_a_visit_that_runs_over_takes_from_the_day_after() -> None:
    # 60 minutes a day for visits of 80: begun on day 0 (60 left, 20 over) and day 1 (40 left)
    tally = lived(terms(2, capacity_min=60.0, km_left=0.0))
    assert every(tally.overdue_d) == 1


def test_a_vehicle_comes_before_the_weekend_on_which_it_falls_due() -> None:
    days = np.array([[day % 7 < 5 for day in range(DAYS + 14)]], dtype=float)
    tally = lived(terms(open_days=days, km_left=550.0))  # on day 5, a closed one
    assert (every(tally.services), every(tally.overdue_d)) == (1, 0)


@pytest.mark.parametrize(("share", "visits"), [(0.0, 2), (0.1, 1)])
def test_what_is_in_its_early_window_comes_along(share: float, visits: int) -> None:
    # due on days 10 and 14; a tenth of 100 days reaches back four
    both = np.array([0, 0])
    given = terms(1, vehicle=both, early_share=share, km_left=[1_000.0, 1_400.0], km=10_000.0)
    first_month = Span(0, (np.arange(DAYS) >= 30).astype(np.int64), 2)
    tally = follow(given, DAYS, first_month)[0]
    assert tally.visits[0, 0].tolist() == [visits] * FUTURES
    assert tally.services[0, 0].tolist() == [2] * FUTURES


def test_an_interval_in_hours_says_nothing_of_a_vehicle_without_their_meter() -> None:
    # due on days 10 and 14, and a tenth of 100 days reaches back four; 500 units of the only
    # meter, which counts km, would be five days
    given = terms(
        vehicle=np.array([0, 0]), early_share=0.1, km_left=[1_000.0, 1_400.0], km=1e4, hours=500.0
    )
    first_month = Span(0, (np.arange(DAYS) >= 30).astype(np.int64), 2)
    assert follow(given, DAYS, first_month)[0].visits[0, 0].tolist() == [1] * FUTURES


def test_the_longest_due_goes_first() -> None:
    # open on day 0, which reaches to day 3, for one visit: of day 1; that of day 2 is a day late
    days = EVERY_DAY.copy()
    days[0, 1:3] = 0
    tally = lived(terms(2, capacity_min=80.0, open_days=days, km_left=[250.0, 150.0]))
    assert every(tally.overdue_d) == 1


def test_rounds_need_no_visit_and_no_minutes() -> None:
    given = replace(terms(km_left=0.0, km=750.0), is_round=np.array([True]))
    tally = lived(given)
    assert (every(tally.visits), every(tally.work_min)) == (0, 0)
    assert every(tally.counts) == 53  # days 0, 7, … 364


def test_terms_that_begin_later_and_are_the_same_change_nothing() -> None:
    given = terms(4, capacity_min=80.0, km_left=[0.0, 0.0, 900.0, 5_000.0], km=8_000.0)
    whole = lived(given)
    first, carried = follow(given, 101, SPAN)
    rest, _ = follow(replace(given, begin_d=101), DAYS, SPAN, carried)
    for name in ("counts", "work_min", "overdue_d", "late_min", "visits"):
        assert np.array_equal(getattr(first, name) + getattr(rest, name), getattr(whole, name))


def test_terms_that_begin_later_count_from_what_was_done_since() -> None:
    # 8,080 km until day 200, then 4,040: done on 40, 120, 200 (by then due), 240, 280, 320, 360
    given = terms(km_left=4_040.0, km=8_080.0)
    first, carried = follow(given, 200, SPAN)
    shorter = replace(terms(km_left=0.0, km=4_040.0), begin_d=200)
    rest, _ = follow(shorter, DAYS, SPAN, carried)
    assert (every(first.counts), every(rest.counts)) == (2, 5)


def test_a_vehicle_that_is_gone_falls_due_no_more() -> None:
    given = terms(2, km_left=4_040.0, km=8_080.0)
    _, carried = follow(given, 100, SPAN)
    one = replace(terms(1, km_left=4_040.0, km=8_080.0), begin_d=100)
    rest, _ = follow(one, DAYS, SPAN, carried)
    assert every(rest.counts) == 4  # days 120, 200, 280, 360 of the one that stays


def test_each_vehicle_has_each_level_once_and_its_own_draws_whoever_is_beside_it() -> None:
    ids, types = np.array([3, 8, 9]), np.array([1, 1, 2])
    levels = draw_levels(ids, types, np.array([0.9, 0.9, 0.0]))
    assert np.array_equal(np.sort(levels, axis=1), np.tile(np.arange(FUTURES), (3, 1)))
    assert np.array_equal(draw_levels(ids[1:], types[1:], np.array([0.9, 0.0])), levels[1:])
    # of two normals that share 0.9 each the correlation is 0.81
    assert np.corrcoef(levels[0], levels[1])[0, 1] == pytest.approx(0.81, abs=0.12)
    assert abs(np.corrcoef(levels[0], levels[2])[0, 1]) < 0.3
