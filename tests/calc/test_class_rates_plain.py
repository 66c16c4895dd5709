"""Class rates, seasons and their clock against plain loops over fleets drawn at random."""

import math
from calendar import monthrange
from datetime import date, timedelta

import numpy as np
import pytest

from fleet.calc import class_rates as cr

AS_OF_D = 20_000.0


def plain_rows(vehicles: list[tuple[int, int, float, float, float]], least: float) -> dict:
    """By (level, type, depot): vehicles, rate and spread; by method.md section 1."""
    counted = [
        (kind, depot, math.log(max(km / days, least)))
        for kind, depot, days, km, last_d in vehicles
        if days > 30 and AS_OF_D - last_d <= 70
    ]
    rows = {}
    keys = (lambda one: (0, one[0], one[1]), lambda one: (1, one[0], -1), lambda one: (2, -1, -1))
    for key in keys:
        for group in {key(one) for one in counted}:
            x = [one[2] for one in counted if key(one) == group]
            fleet = sum(one[2] for one in counted) / len(counted)
            log_rate = (sum(x) + 2 * fleet) / (len(x) + 2)
            squares = sum((each - log_rate) ** 2 for each in x) + 2 * 0.35**2
            if len(x) >= (1 if group[0] == 2 else 5):
                spread = max(math.sqrt(squares / (len(x) + 2)), 0.15)
                rows[group] = (len(x), math.exp(log_rate), spread)
    return rows


@pytest.mark.parametrize("seed", range(6))
def test_rows_are_those_of_each_type_at_each_depot_each_type_and_the_fleet(seed: int) -> None:
    rng = np.random.default_rng(seed)
    least = (1.0, 0.1)[seed % 2]
    vehicles = [
        (int(rng.integers(4)), int(rng.integers(5)), float(rng.choice([29, 30, 31, 200])),
         float(rng.choice([0, 5, 900, 30_000])), AS_OF_D - float(rng.choice([0, 69, 70, 71])))
        for _ in range(int(rng.integers(1, 90)))
    ]  # fmt: skip
    types, depots, days, km, last_d = (list(column) for column in zip(*vehicles, strict=True))
    found = cr.class_rates(AS_OF_D, days, km, last_d, types, depots, least)
    told = {
        (int(level), int(kind), int(depot)): (n, rate, spread)
        for level, kind, depot, n, rate, spread in zip(
            found.level, found.type_id, found.depot_id, found.vehicles, found.rate, found.spread,
            strict=True,
        )
    }  # fmt: skip
    expected = plain_rows(vehicles, least)
    assert told.keys() == expected.keys()
    for key, row in expected.items():
        assert told[key] == pytest.approx(row)
    # each vehicle goes by its own class, else by its type, else by the fleet
    asked = [(kind, depot) for kind in range(5) for depot in range(6)]
    row_of = cr.rate_for(found, *(np.array(column) for column in zip(*asked, strict=True)))
    for (kind, depot), row in zip(asked, row_of.tolist(), strict=True):
        near = [key for key in ((0, kind, depot), (1, kind, -1), (2, -1, -1)) if key in expected]
        if not near:
            assert row == -1
            continue
        level, own, at = found.level[row], found.type_id[row], found.depot_id[row]
        assert (int(level), int(own), int(at)) == near[0]


def plain_season(rows: list[list[float]], days: list[int], last_month: int) -> tuple:
    """Factors, weight, years and vehicles of one class; rows are of months, oldest first."""
    years = len(days) // 12
    rows = [row[len(row) - 12 * years :] for row in rows]
    days = days[len(days) - 12 * years :]
    logs, ran = [], [False] * len(rows)
    for year in range(years):
        block, of = days[12 * year : 12 * year + 12], []
        for at, row in enumerate(rows):
            km = row[12 * year : 12 * year + 12]
            if any(math.isnan(one) for one in km) or sum(km) / sum(block) < 1:
                continue
            ran[at] = True
            of.append([one / (sum(km) / sum(block)) for one in km])
        if len(of) < 5:
            continue
        share = [sum(one[m] for one in of) / (len(of) * block[m]) for m in range(12)]
        x = [math.log(max(one, 0.05)) for one in share]
        logs.append([one - sum(x) / 12 for one in x])
    weight, mean = 0.0, [0.0] * 12
    if len(logs) >= 2:
        mean = [sum(x[m] for x in logs) / len(logs) for m in range(12)]
        seen = sum(one**2 for one in mean)
        chance = sum((x[m] - mean[m]) ** 2 for x in logs for m in range(12))
        chance /= len(logs) * (len(logs) - 1)
        weight = 1 - chance / seen if seen > chance else 0.0
    raw = [math.exp(weight * one) for one in mean]
    factors = [0.0] * 12
    for m in range(12):  # the last column is of ``last_month``
        factors[(last_month + m) % 12] = raw[m] / (sum(raw) / 12)
    return factors, weight, len(logs), sum(ran)


@pytest.mark.parametrize("seed", range(8))
def test_a_season_is_what_years_agree_on(seed: int) -> None:
    rng = np.random.default_rng(seed)
    months, last_month = int(rng.integers(20, 52)), int(rng.integers(1, 13))
    days = [int(rng.integers(28, 32)) for _ in range(months)]
    shape = np.exp(0.3 * rng.normal(size=12))
    classes = rng.integers(0, 3, 24)
    km = np.array([
        [rng.uniform(20, 200) * shape[at % 12] * rng.lognormal(0, 0.3) * days[at]
         for at in range(months)]
        for _ in classes
    ])  # fmt: skip
    km[rng.random(km.shape) < 0.01] = np.nan
    km[rng.random(km.shape) < 0.03] = 0.0
    km[0] = np.array(days) * 0.99  # hardly runs
    found = cr.season_index(km, days, classes, last_month)
    for one in range(3):
        factors, weight, years, vehicles = plain_season(
            km[classes == one].tolist(), days, last_month
        )
        np.testing.assert_allclose(found.factors[one], factors)
        assert found.weight[one] == pytest.approx(weight)
        assert (found.years[one], found.vehicles[one]) == (years, vehicles)
        assert found.factors[one].mean() == pytest.approx(1)


def test_without_vehicles_there_are_no_seasons_and_no_rows() -> None:
    found = cr.season_index(np.empty((0, 24)), [30] * 24, np.empty(0), 12)
    assert found.factors.shape == (0, 12)
    nobody = cr.class_rates(AS_OF_D, [], [], [], [], [])
    assert len(nobody.rate) == 0
    assert cr.rate_for(nobody, [1, 2], [1, 1]).tolist() == [-1, -1]


@pytest.mark.parametrize(("moved", "takes"), [(0.0199, False), (0.0201, True), (-0.0201, True)])
def test_a_season_takes_force_where_a_factor_moves_by_two_hundredths(
    moved: float, takes: bool
) -> None:
    in_force = np.ones((3, 12))
    other = in_force.copy()
    other[1, 7] += moved
    assert cr.takes_force(other, in_force).tolist() == [False, takes, False]
    assert cr.takes_force(np.empty((0, 12)), np.empty((0, 12))).tolist() == []


# --- the clock: each day grows by the factor of its month ------------------------------------
FACTORS = np.array([[0.5, 1.5] * 6, [0.7, 0.8, 0.9, 1, 1, 1, 1, 1, 1.1, 1.2, 1.3, 1]])


def grown(row: int, since: date, until: date) -> float:
    """Sum of the factors of the days from one up to another."""
    total, day = 0.0, since
    while day < until:
        of_month = date(day.year, day.month, monthrange(day.year, day.month)[1]) + timedelta(days=1)
        end = min(of_month, until)
        total += (end - day).days * (1.0 if row < 0 else FACTORS[row, day.month - 1])
        day = end
    return total


@pytest.mark.parametrize("row", [-1, 0, 1])
@pytest.mark.parametrize(
    "on",
    [date(1970, 1, 1), date(1970, 1, 31), date(1970, 2, 1), date(1970, 3, 1), date(2024, 2, 29),
     date(2026, 6, 15), date(2199, 12, 31)],
)  # fmt: skip
def test_operational_days_are_the_factors_of_the_days_added_up(row: int, on: date) -> None:
    clock = cr.Clock(FACTORS)
    at_d = float((on - date(1970, 1, 1)).days)
    expected = grown(row, date(1970, 1, 1), on)
    assert clock.operational_d([at_d], [row])[0] == pytest.approx(expected)
    # and within a day by its own factor
    factor = 1.0 if row < 0 else FACTORS[row, on.month - 1]
    assert clock.operational_d([at_d + 0.25], [row])[0] == pytest.approx(expected + factor / 4)
    assert clock.calendar_d([expected + factor / 4], [row])[0] == pytest.approx(at_d + 0.25)


def test_before_and_after_the_table_the_nearest_month_goes_on() -> None:
    clock = cr.Clock(FACTORS)
    assert clock.operational_d([-10.0], [1])[0] == pytest.approx(-7)  # January: .7
    assert clock.calendar_d([-7.0], [1])[0] == pytest.approx(-10)
    end_d = float((date(2200, 1, 1) - date(1970, 1, 1)).days)
    whole = clock.operational_d([end_d, end_d + 40], [0, 0])
    # the table ends with December 2199: 1.5 goes on
    assert whole[1] - whole[0] == pytest.approx(40 * 1.5)


def test_rows_and_instants_may_come_one_by_one_or_as_a_table() -> None:
    clock = cr.Clock(FACTORS)
    at_d = np.array([[100.0, 200.0], [300.0, 400.0], [500.0, 600.0]])
    table = clock.operational_d(at_d, np.array([0, 1, -1]))
    for row, season in enumerate((0, 1, -1)):
        assert table[row].tolist() == clock.operational_d(at_d[row], [season] * 2).tolist()
    np.testing.assert_allclose(clock.calendar_d(table, np.array([0, 1, -1])), at_d)


@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan, np.inf])
def test_factors_are_numbers_above_nothing(wrong: float) -> None:
    with pytest.raises(ValueError, match="numbers above 0"):
        cr.Clock([1.0] * 11 + [wrong])
