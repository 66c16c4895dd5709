"""How often services fall due: closed forms, calendars by hand, and variants that must not pass."""

import numpy as np
import pytest
from scipy import stats

from fleet.calc import due, usage
from fleet.calc.demand import counts_before, month_edges
from fleet.calc.level_paths import LEVELS, level_paths
from tests.calc.demand_cases import paths, services, steady

YEAR = np.array([365.0])
# 5,000 km to go and again every 5,000 km; distance Gamma with mean 50 h and variance 14,400 h.
# Mean and variance by the exact law: P(count >= k) = P(X(365) >= 5,000 k), summed here.
REACHED = stats.gamma.sf(5000 * np.arange(1, 30), 50**2 * 365 / 14_400, scale=14_400 / 50)
EXACT_MEAN = REACHED.sum()
EXACT_VAR = ((2 * np.arange(1, 30) - 1) * REACHED).sum() - EXACT_MEAN**2


def a_year() -> np.ndarray:
    every = services(km_left=5000, km=5000)
    return counts_before(every, steady(50, 14_400), steady(1, 1), 0, YEAR)[0, 0]


def test_the_exact_law_gives_the_printed_mean_and_variance() -> None:
    assert pytest.approx(3.14992, abs=1e-5) == EXACT_MEAN
    assert pytest.approx(0.2765, abs=1e-4) == EXACT_VAR


def test_the_cube_root_rule_gives_that_mean_to_a_ten_thousandth() -> None:
    # P(count >= k) by Wilson and Hilferty (1931) in place of the exact Gamma law
    k, shape = np.arange(1, 30), 50**2 * 365 / 14_400
    root = np.cbrt(5000 * k / (50 * 365))
    by_rule = stats.norm.sf((root - 1) * 3 * np.sqrt(shape) + 1 / (3 * np.sqrt(shape))).sum()
    assert by_rule == pytest.approx(3.14988, abs=1e-5)
    assert by_rule == pytest.approx(EXACT_MEAN, abs=1e-4)


def right(mean: float, var: float, p95: float) -> bool:
    return abs(mean - EXACT_MEAN) <= 1 / 99 and abs(var - 0.263) <= 0.005 and p95 == 4


def test_mean_spread_and_upper_quantile_of_a_year_are_right() -> None:
    counts = a_year()
    assert counts.mean() == pytest.approx(3.1414, abs=1e-4)
    assert right(counts.mean(), counts.var(), np.quantile(counts, 0.95, method="inverted_cdf"))


def bernoullis() -> tuple[float, float, float]:
    return EXACT_MEAN, float((REACHED * (1 - REACHED)).sum()), 4


def floor_and_one() -> tuple[float, float, float]:
    part = EXACT_MEAN % 1
    return EXACT_MEAN, part * (1 - part), 4


@pytest.mark.parametrize(
    "wrong",
    [
        (50 * 365 / 5000, 0.263, 4),  # the mean distance divided by the interval
        (EXACT_MEAN, EXACT_MEAN, stats.poisson.ppf(0.95, EXACT_MEAN)),
        bernoullis(),
        floor_and_one(),
    ],
    ids=["naive", "plain Poisson", "independent Bernoullis", "floor and one Bernoulli"],
)
def test_the_usual_short_cuts_are_told_apart(wrong: tuple[float, float, float]) -> None:
    assert not right(*wrong)


def test_the_short_cuts_are_those_of_the_printed_figures() -> None:
    assert stats.poisson.ppf(0.95, EXACT_MEAN) == 6
    assert bernoullis()[1] == pytest.approx(0.2395, abs=1e-4)
    assert floor_and_one()[1] == pytest.approx(0.127, abs=1e-3)


def test_first_occasions_lie_where_the_due_date_lies() -> None:
    state = usage.start([100.0], [0.0], 100.0, 0.4)
    left = np.array([10_000.0])
    limit = due.MeterLimit(state, np.array([0]), left, np.array([np.nan]), np.zeros(1))
    made = level_paths(usage.law(state), [100.0], 0.0, 100 + 372.0)
    at_d = made.reached_d(np.repeat(left[:, None], 99, axis=1))[0]
    exact_d = due.instants_d(limit, LEVELS)[0]
    assert at_d[exact_d < 450] == pytest.approx(exact_d[exact_d < 450], abs=0.5)


def test_widening_the_levels_is_widening_the_days() -> None:
    state = usage.start([100.0], [0.0], 100.0, 0.3)
    left = np.array([8_000.0])
    limit = due.MeterLimit(
        state, np.array([0]), left, np.array([np.nan]), np.zeros(1), widening=1.2
    )
    made = level_paths(usage.law(state), [100.0], 0.0, 100 + 372.0, widening=1.2)
    at_d = made.reached_d(np.repeat(left[:, None], 99, axis=1))[0]
    exact_d = due.instants_d(limit, LEVELS)[0]
    inner = slice(10, 89)
    assert at_d[inner] - 100 == pytest.approx(exact_d[inner] - 100, rel=0.02)


def test_what_is_overdue_falls_in_the_present_month_at_every_level() -> None:
    late = services(km_left=-300, km=50_000)
    counts = counts_before(late, steady(50, 14_400), steady(1, 1), 20, np.array([31.0, 59.0]))[0]
    assert (counts == 1).all()


def test_a_planned_day_fixes_the_month() -> None:
    planned = services(km_left=-300, km=50_000, planned_on="1970-02-10")
    edges = np.array([31.0, 59.0])
    counts = counts_before(planned, steady(50, 14_400), steady(1, 1), 20, edges)[0]
    assert (counts[0] == 0).all()
    assert (counts[1] == 1).all()


def test_a_planned_day_gone_by_means_today() -> None:
    planned = services(calendar_on="1970-06-01", planned_on="1970-01-05")
    counts = counts_before(planned, steady(50, 1), steady(1, 1), 20, np.array([31.0]))[0]
    assert (counts == 1).all()


def test_calendar_services_repeat_from_the_day_they_are_done() -> None:
    # due 31 March, again 30 April, 30 May (30 April + 1 month), 30 June: by hand
    monthly = services(calendar_on="1970-03-31", months=1)
    _, edges = month_edges(0, 6)
    counts = counts_before(monthly, steady(50, 1), steady(1, 1), 0, edges)[0]
    assert counts[:, 0].tolist() == [0, 0, 1, 2, 3, 4]


def test_a_yearly_date_soon_after_the_service_is_served_by_it() -> None:
    # done on 20 September; by 1 October each year, early by up to 54 days: next 1 October 1971
    yearly = {"yearly_month": 10, "yearly_day": 1}
    early = services(calendar_on="1970-09-20", **yearly, early_d=54)
    late = services(calendar_on="1970-09-20", **yearly, early_d=5)
    _, edges = month_edges(0, 12)
    last = [counts_before(s, steady(1, 1), steady(1, 1), 0, edges)[0, -1, 0] for s in (early, late)]
    assert last == [1, 2]


def test_hours_come_first_where_they_are_used_up_first() -> None:
    both = services(km_left=5000, km=5000, hours_left=100, hours=100, hours_meter=[0])
    alone = services(hours_left=100, hours=100, hours_meter=[0])
    km, hours = steady(50, 1e-3), steady(5, 1e-3)  # 100 days of km, 20 days of hours
    edges = np.array([90.5])
    assert counts_before(both, km, hours, 0, edges)[0, 0, 49] == 4
    assert (
        counts_before(both, km, hours, 0, edges) == counts_before(alone, km, hours, 0, edges)
    ).all()


def test_a_service_done_late_counts_its_interval_from_then() -> None:
    # steady 100 km a day, limit passed at day 10, done today on day 40: due again on day 90
    late = services(km_left=1000, km=5000)
    counts = counts_before(late, steady(100, 1e-6), steady(1, 1), 40, np.array([89.0, 91.0]))[0]
    assert counts[:, 49].tolist() == [1, 2]


def test_a_meaningless_interval_ends_the_chain_at_one_a_day() -> None:
    tiny = services(km_left=1, km=0.001)
    counts = counts_before(tiny, steady(100, 1), steady(1, 1), 0, np.array([10.0]))[0, 0]
    assert counts.max() <= 10


def test_a_meter_read_long_ago_is_followed_beyond_the_usual_knots() -> None:
    old = paths(lambda h: (100 * h, 1e-3 * h), until_d=900)
    every = services(km_left=5000, km=5000)
    counts = counts_before(every, old, steady(1, 1), 600, np.array([601.0, 799.0]))[0]
    assert counts[:, 49].tolist() == [1, 4]  # today, then days 650, 700, 750


def test_services_without_any_limit_never_fall_due() -> None:
    assert not counts_before(services(), steady(50, 1), steady(1, 1), 0, YEAR).any()


def test_months_begin_with_the_present_one() -> None:
    today_d = int(np.datetime64("2024-02-10").astype(int))
    months_on, edges_d = month_edges(today_d, 2)
    assert months_on.astype(str).tolist() == ["2024-02-01", "2024-03-01"]
    assert edges_d.astype(int).astype("M8[D]").astype(str).tolist() == ["2024-03-01", "2024-04-01"]


def test_what_is_reached_already_is_reached_at_the_reading() -> None:
    found = steady(50, 14_400).reached_d(np.full((1, 99), -200.0))
    assert (found == 0).all()
    assert (steady(50, 14_400).reached_d(np.zeros((1, 99))) == 0).all()
    assert np.isinf(steady(50, 14_400).reached_d(np.full((1, 99), np.nan))).all()
