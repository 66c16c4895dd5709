"""The rolling year of the measurements, small: what happens to planned days, worked by hand."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from fleet.calc.arrays import IntArray
from fleet.calc.visit_effort import Effort
from tests.bench import rolling, year
from tests.bench.rolling import HISTORY_D, Monday, Truth, Workshop

SURE = rolling.Doubt(vehicle=0, week=0, drift=0, work=0, unplanned_share=0)
OIL_KM = 12_000.0  # from one time to the next: INTERVALS_D of the depot, 100 km a day


def truth(weeks: int, due_d: tuple[float, ...], day_min: float = 200.0) -> Truth:
    """Vehicles that drive 100 km every day, with engine oil alone, due so many days ahead."""
    all_of_it = rolling.drawn(len(due_d), weeks, 1, day_min, SURE)
    oil = np.arange(len(due_d)) * 6  # the first of the six services of each
    last_km = all_of_it.km[:, HISTORY_D - 1] + 100.0 * np.array(due_d) - OIL_KM
    return replace(
        all_of_it,
        vehicle=all_of_it.vehicle[oil],
        kind=all_of_it.kind[oil],
        last_km=last_km,
        work_min=all_of_it.work_min[oil],
    )


def on_days(*wanted: int) -> Callable[[Monday], IntArray]:
    """A practice that wants fixed days of the first week and nothing after."""
    asked: list[int] = []

    def way(monday: Monday) -> IntArray:
        asked.append(1)
        first = len(asked) == 1
        return np.array(wanted[: len(monday.before)] if first else [-1] * len(monday.before))

    return way


def test_a_day_late_and_a_day_early_cost_what_they_cost_by_hand() -> None:
    # by hand: due at the end of the third day (2) and of the fifth (4), done on days 3 and 3:
    # a day late for 40.00, a day early for 90.00 / 120 days, two visits of 50.00
    workshop = Workshop(truth(1, (3, 5)), on_days(3, 3), 7)
    found = workshop.run()
    assert (found.visits, found.services, found.overdue_d, found.early_d) == (2, 2, 1, 1)
    assert found.cost_minor == pytest.approx(2 * 5_000 + 4_000 + 75)
    assert (found.told, found.kept, found.broken) == (2, 2, 0)


def test_what_is_never_done_is_overdue_to_the_end() -> None:
    # by hand: due at the end of day 2, the week ends after day 6: on day 7 it is 5 days late
    found = Workshop(truth(1, (3,)), on_days(-1), 7).run()
    assert (found.visits, found.overdue_d, found.told) == (0, 5, 0)
    assert found.cost_minor == 5 * 4_000


def test_what_had_not_begun_by_the_evening_is_a_broken_promise_and_waits() -> None:
    # by hand: a day has 70 / 0.7 = 100 minutes; the first visit takes 80, the second begins and
    # takes 80 of which 60 go over, the third does not begin; 40 are left the day after
    found = Workshop(truth(1, (4, 4, 4), day_min=70.0), on_days(0, 0, 0), 7).run()
    assert (found.told, found.kept, found.broken, found.visits) == (3, 2, 1, 3)
    assert found.early_d == 3 + 3 + 2


def test_what_comes_in_unplanned_takes_its_minutes_first() -> None:
    workshop = Workshop(truth(1, (4,)), on_days(0), 7)
    workshop.truth.unplanned_min[0] = 300.0  # of 285.7: 14.3 go over
    found = workshop.run()
    assert (found.kept, found.broken, found.early_d) == (0, 1, 2)


def test_a_forecast_of_what_is_sure_is_the_day_it_is_due() -> None:
    known = truth(1, (3, 40, -2))
    seen = rolling.forecast(known, known.last_km, 0)
    assert seen.quantiles_d[:, 0].tolist() == [[day] * 3 for day in (3.0, 40.0, -2.0)]


def test_nine_in_ten_due_days_lie_below_the_latest_likely_one() -> None:
    # the drift is left out: no forecast knows of it
    doubt = rolling.Doubt(drift=0)
    known = rolling.drawn(400, 1, 2, 920.0, doubt)
    seen = rolling.forecast(known, known.last_km, 0)
    near = np.flatnonzero((seen.p50_d > 14) & (seen.p50_d < 200))
    due_km = (known.last_km + known.interval_km)[near]
    km = known.km[known.vehicle[near], HISTORY_D:]
    due_d = (km < due_km[:, None]).sum(axis=1)
    for quantile, share in ((0, 0.1), (1, 0.5), (2, 0.9)):
        below = float((due_d <= seen.quantiles_d[near, 0, quantile]).mean())
        assert below == pytest.approx(share, abs=0.07)


def test_of_few_vehicles_every_promise_ends_and_all_see_the_same_weeks() -> None:
    few = Effort(moves=20, more_moves=0, programs=1, more_programs=0, windows=0)
    found = year.outcomes(8, 6, 3, few)
    assert found == year.outcomes(8, 6, 3, few)
    for name, one in found.items():
        still = one.told - one.kept - one.moved - one.broken
        assert 0 <= still <= 8, name
        assert one.services >= one.visits > 0, name
        assert one.moved == 0 or name == year.PLAN


def test_the_plan_costs_less_than_each_on_its_date() -> None:
    # two services of a vehicle due days apart: one visit less is worth more than the days
    found = year.outcomes(8, 10, 1, Effort(moves=50, programs=2, more_programs=0))
    assert found[year.PLAN].cost_minor < found["each on its p50 date"].cost_minor
