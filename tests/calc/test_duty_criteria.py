"""The shipped criteria, each at its boundary, and a whole fleet against a plain loop.

Boundaries come from the table's own sources; expected classes are worked out by hand.
"""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calc.duty import Assessment, Criterion, assess, lead_in_months
from tests.calc.duty_cases import ALL_KINDS, classes, one_van, shipped

CRITERIA = shipped()
YEAR = np.ones(12)
CHANCES = [0.6, 0.1, 0.3]  # of a month below, at and above its limit: classes that change
BOUNDARIES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("short-trips", {"share_of_trips_under_8_km": 0.5, "share_of_trips_under_16_km": 0.5,
                     "mean_daily_min_c": 5}, {"share_of_trips_under_8_km": 0.49}),
    ("short-trips", {"share_of_trips_under_8_km": 0, "share_of_trips_under_16_km": 0.5,
                     "mean_daily_min_c": -0.1}, {"mean_daily_min_c": 0}),
    ("short-trips", {"share_of_trips_under_8_km": 0, "share_of_trips_under_16_km": 0.5,
                     "mean_daily_min_c": -0.1}, {"share_of_trips_under_16_km": 0.49}),
    ("stop-start", {"stops_per_10_km": 10.1}, {"stops_per_10_km": 10}),
    ("heat-in-traffic", {"mean_daily_max_c": 32, "mean_speed_km_per_h": 29.9},
     {"mean_daily_max_c": 31.9}),
    ("heat-in-traffic", {"mean_daily_max_c": 32, "mean_speed_km_per_h": 29.9},
     {"mean_speed_km_per_h": 30}),
    ("hot-climate", {"mean_daily_max_c": 38}, {"mean_daily_max_c": 37.9}),
    ("long-idling", {"idle_share": 0.35, "km_per_engine_h": 20}, {"idle_share": 0.34}),
    ("long-idling", {"idle_share": 0.34, "km_per_engine_h": 19.9}, {"km_per_engine_h": 20}),
    ("unpaved", {"unpaved_share": 0.3}, {"unpaved_share": 0.29}),
    ("load", {"loaded_share": 0.3}, {"loaded_share": 0.29}),
    ("hills", {"hilly_depot": 1}, {"hilly_depot": 0}),
]  # fmt: skip


def under(slug: str, measures: dict[str, Any]) -> Assessment:
    criterion = CRITERIA[slug]
    columns: dict[str, Any] = {name: value * YEAR for name, value in measures.items()}
    return one_van(criterion, kind=criterion.compartments[0], **columns)


@pytest.mark.parametrize(("slug", "severe", "milder"), BOUNDARIES)
def test_each_shipped_condition_at_its_boundary(
    slug: str, severe: dict[str, float], milder: dict[str, float]
) -> None:
    assert classes(under(slug, severe))[-1] == "S"
    assert classes(under(slug, severe | milder))[-1] == "N"


@pytest.mark.parametrize(("min_c", "expected"), [(5, "N"), (-1, "S"), (0, "N")])
def test_trips_of_12_km_are_short_in_frost_only(min_c: float, expected: str) -> None:
    # published pair: under 8 km, under 16 km below freezing; every trip is 12 km long
    trips = {"share_of_trips_under_8_km": 0.0, "share_of_trips_under_16_km": 1.0}
    assert classes(under("short-trips", trips | {"mean_daily_min_c": min_c}))[-1] == expected


def test_a_month_of_40_degrees_is_hot_duty() -> None:
    # common practice, no source
    assert under("hot-climate", {"mean_daily_max_c": 40.0}).exposure[0, 0, -1] == 1.0


def test_declared_delivery_is_severe_even_where_few_stops_were_counted() -> None:
    few = one_van(CRITERIA["stop-start"], declared=True, stops_per_10_km=2 * YEAR)
    assert classes(few) == "S" * 12
    assert not few.stood_in[0, 0, -1]


def test_short_trips_spoil_engine_oil_and_not_brake_fluid() -> None:
    severe = BOUNDARIES[0][1]
    columns = {name: value * YEAR for name, value in severe.items()}
    assert classes(one_van(CRITERIA["short-trips"], kind="brake", **columns)) == "N" * 12


def test_an_electric_van_has_no_short_trips() -> None:
    columns = {name: value * YEAR for name, value in BOUNDARIES[0][1].items()}
    found = one_van(CRITERIA["short-trips"], powertrain="electric", **columns)
    assert np.isnan(found.exposure).all()
    assert not found.stood_in.any()


def test_every_shipped_criterion_says_where_its_figures_come_from() -> None:
    said = ("published", "owner's manual", "common practice, no source")
    assert all(any(word in c.source for word in said) for c in CRITERIA.values())
    assert all("our choice" in c.source for c in CRITERIA.values())


def plain_share(criterion: Criterion, rows: list[dict[str, float]]) -> float | None:
    """One window's exposure in plain arithmetic, or None when too little was measured."""
    spent = known = 0.0
    months = 0
    for row in rows:
        value, weight = row["x"], row[criterion.weight]
        if np.isnan(value) or np.isnan(weight):
            continue
        months += 1
        known += weight
        spent += weight if value >= criterion.alternatives[0][0].limit else 0
    return spent / known if 4 * months >= criterion.window_months and known else None


def plain_classes(criterion: Criterion, rows: list[dict[str, float]], declared: bool) -> str:
    """One van's classes, decided month by month in plain arithmetic."""
    letters, calm = "", 0
    for month in range(len(rows)):
        window = rows[max(0, month + 1 - criterion.window_months) : month + 1]
        share = plain_share(criterion, window)
        share = float(declared) if share is None else share
        calm = calm + 1 if share < 0.8 * criterion.share_limit - 1e-9 else 0
        severe = share >= criterion.share_limit - 1e-9
        letters += "S" if severe or (letters.endswith("S") and calm < 2) else "N"
    return letters


def fleet_of(seed: int, n_vehicles: int, n_months: int) -> dict[str, np.ndarray]:
    """Random months, a third of them not measured, for every measure of the table."""
    random = np.random.default_rng(seed)
    names = {c.measure for criterion in CRITERIA.values() for group in criterion.alternatives
             for c in group} - {"declared"}  # fmt: skip
    limits = {c.measure: c.limit for criterion in CRITERIA.values()
              for group in criterion.alternatives for c in group}  # fmt: skip
    shape = (n_vehicles, n_months)
    table = {n: limits[n] + random.choice([-1, 0, 1], shape, p=CHANCES) for n in sorted(names)}
    table |= {n: random.integers(0, 3000, shape) / 7 for n in ("km", "engine_h")}
    for values in table.values():
        values[random.random(values.shape) < 1 / 3] = np.nan
    return table


@given(st.integers(0, 2**32), st.booleans())
def test_classes_agree_with_a_plain_loop(seed: int, declared: bool) -> None:
    table = fleet_of(seed, 1, 30)
    criterion = CRITERIA["unpaved"]
    names = {"x": "unpaved_share", "km": "km"}
    rows = [{k: float(table[n][0, m]) for k, n in names.items()} for m in range(30)]
    found = one_van(criterion, declared=declared, km=table["km"][0],
                    unpaved_share=table["unpaved_share"][0])  # fmt: skip
    assert classes(found) == plain_classes(criterion, rows, declared)


@given(st.integers(0, 2**32), st.integers(1, 35))
def test_steps_and_a_re_assessment_agree_to_the_last_bit(seed: int, split: int) -> None:
    criteria, table = list(CRITERIA.values()), fleet_of(seed, 5, 36)
    powertrains = ["diesel", "petrol", "electric", "hybrid", "gas"]
    declared = np.random.default_rng(seed).random((len(criteria), 5)) < 0.3
    whole = assess(criteria, ALL_KINDS, powertrains, table, declared)
    low = max(split - lead_in_months(criteria), 0)
    step = assess(
        criteria, ALL_KINDS, powertrains, {n: t[:, low : split + 1] for n, t in table.items()},
        declared, first_month=split - low, previous=whole.severe[:, :, split - 1],
    )  # fmt: skip
    np.testing.assert_array_equal(step.severe[:, :, 0], whole.severe[:, :, split])
    np.testing.assert_array_equal(step.changed[:, :, 0], whole.changed[:, :, split])
    np.testing.assert_array_equal(step.exposure[:, :, 0], whole.exposure[:, :, split])


def test_a_corrected_month_changes_its_window_and_nothing_before_or_after() -> None:
    measured = np.zeros(36)
    before = one_van(CRITERIA["unpaved"], unpaved_share=measured)
    measured[20] = 1.0
    after = one_van(CRITERIA["unpaved"], unpaved_share=measured)
    moved = np.flatnonzero(after.exposure[0, 0] != before.exposure[0, 0])
    assert moved.tolist() == list(range(20, 32))  # twelve months from the corrected one


def test_random_fleets_hold_both_classes_and_many_changes() -> None:
    # guards the comparisons above against a fleet that is always severe
    criteria, table = list(CRITERIA.values()), fleet_of(1, 100, 36)
    found = assess(criteria, ALL_KINDS, ["diesel"] * 100, table, np.zeros((len(criteria), 100)))
    assert 0.1 < found.severe.mean() < 0.9
    assert found.changed.sum() > 5 * 100 * 2  # of 500 compartments, twice each on average
