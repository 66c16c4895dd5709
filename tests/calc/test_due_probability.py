"""How likely each limit is to come first, against draws from the Gamma law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from fleet.calc import usage
from fleet.calc.calendar import day_number
from fleet.calc.due import Binding
from fleet.calc.passage import passage_quantiles
from tests.calc.due_cases import limit, meter, one


def gamma_of(state: usage.State, h_d: float) -> tuple[float, float]:
    """Shape and scale of the distance h days ahead, from its mean and variance."""
    mean, var = usage.moments(state, [h_d])
    return float(mean[0] ** 2 / var[0]), float(var[0] / mean[0])


@pytest.mark.parametrize("on", ["2024-03-01", "2024-04-10", "2024-06-01"])
def test_the_chance_that_distance_comes_first_is_the_share_of_draws_beyond(on: str) -> None:
    state = meter("2024-01-01", 100)
    shape, scale = gamma_of(state, float(day_number(on) - state.last_at_d[0]))
    drawn_km = np.random.default_rng(2).gamma(shape, scale, 200_000)
    due, share = one(limit(state, 10_000), on=on), (drawn_km >= 10_000).mean()
    by_distance = due.binding[0] == Binding.DISTANCE
    probability = due.binding_probability[0] if by_distance else 1 - due.binding_probability[0]
    assert probability == pytest.approx(share, abs=3 * np.sqrt(share * (1 - share) / 200_000))
    assert due.binding_probability[0] >= 0.49


def test_a_calendar_limit_before_the_last_reading_comes_first_for_certain() -> None:
    due = one(limit(meter("2024-01-10", 100), 10_000), on="2024-01-10")
    assert (due.binding[0], due.binding_probability[0]) == (Binding.CALENDAR, 1.0)


def test_three_limits_share_the_levels_as_draws_of_one_common_path_do() -> None:
    # Distance and hours move together: one level u drives both.
    km, hours = meter("2024-01-01", 100), meter("2024-01-01", 3)
    km.p11[:], hours.p11[:] = 0.02, 0.3
    due = one(limit(km, 9_000), limit(hours, 280), "2024-05-10")
    calendar_d = float(day_number("2024-05-10") - km.last_at_d[0])
    levels = np.random.default_rng(3).uniform(0.002, 0.998, 300)
    first = [_first(km, 9_000, hours, 280, calendar_d, level) for level in levels]
    share = np.mean([limit_ == due.binding[0] for limit_ in first])
    error = np.sqrt(share * (1 - share) / 300)
    assert 0.1 < share < 0.9
    assert due.binding_probability[0] == pytest.approx(share, abs=3 * error + 1 / 99)


def _first(
    km: usage.State, left_km: float, hours: usage.State, left_h: float, calendar_d: float, u: float
) -> Binding:
    days = [calendar_d, _day(km, left_km, u), _day(hours, left_h, u)]
    return Binding(int(np.argmin(days)) + 1)


def _day(state: usage.State, left: float, level: float) -> float:
    """Exact level-u day: the Gamma law has reached the limit with that probability."""

    def missing(h_d: float) -> float:
        shape, scale = gamma_of(state, h_d)
        return float(stats.gamma.sf(left, shape, scale=scale)) - level

    return float(brentq(missing, 1, 2000))


def test_a_reached_limit_before_the_other_meter_comes_first_for_certain() -> None:
    km = meter("2024-03-01", 100)
    reached = limit(km, -10, reached_at_d=km.last_at_d - 1)
    due = one(reached, limit(meter("2024-03-01", 3), 200), "2024-12-01")
    assert (due.binding[0], due.binding_probability[0]) == (Binding.DISTANCE, 1.0)


def test_a_widened_band_widens_the_chance_with_it() -> None:
    # At the widened 90 % day the chance is 90 % as before, up to the step of a day.
    state = meter("2024-01-01", 100)
    state.last_at_d[:] = np.floor(state.last_at_d)
    days = passage_quantiles(usage.law(state).moments, [10_000], [0.5, 0.9])[0]
    on = np.datetime64("2024-01-01") + int(round(days[0] * (days[1] / days[0]) ** 1.4))
    due = one(limit(state, 10_000, widening=1.4), on=str(on))
    assert due.binding_probability[0] == pytest.approx(0.9, abs=0.003)
