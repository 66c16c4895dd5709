"""What a result tells beside its verdict, from arrays and rows that no database holds; by hand."""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fleet.calc.trial_inference import Inference
from fleet.trials.ages import FluidAges
from fleet.trials.cost import of_trial
from fleet.trials.details import (
    _bands,
    _cell,
    _odds,
    _paying,
    _ratings,
    _Seasons,
    _sizes,
    _warmth,
)
from fleet.trials.gather import Felt, Gathered, Vehicles
from fleet.trials.lab import TopUps, _balanced, within
from fleet.trials.models import LabProperty, Trial, TrialGroup, TrialResult
from fleet.trials.outcome import NOT_SENT, OPEN_TRIAL, as_shown, confounds, verdict_of
from fleet.trials.paying import can_in_words, in_words
from fleet.trials.seasons import _mean, _trial_months

NAN = float("nan")
USUAL, TRIED = 21, 22  # products
START = date(2025, 12, 1)


def trial(**given: object) -> Trial:
    fields = {"starts_on": START, "ends_on": START + timedelta(days=100), "interval_km": 17_000.0}
    fields |= {"ratings_per_vehicle": 10, "run_in_km": 1_000.0, "run_in_d": 30.0}
    return Trial(**(fields | given))


def gathered(rows: list[tuple[int, int, float, float, int, bool]], **given: Any) -> Gathered:
    """Ratings as vehicle, grade, age [km], age [d], product and whether the day was set apart; of
    the vehicles 0 and 1 have the usual product, 2 and 3 the tried one."""
    row, value, km, days, product, apart = (np.array(one) for one in zip(*rows, strict=True))
    number = len(rows)
    cold = np.array(given.pop("cold", [False] * number))
    warmth = np.array(given.pop("with_warmth", [True] * number))
    return Gathered(
        trial=trial(**given),
        groups={
            "usual": TrialGroup(letter="A", product_id=USUAL),
            "tried": TrialGroup(letter="B", product_id=TRIED, tried=True),
        },
        vehicles=Vehicles(
            np.arange(4), np.arange(4) + 100, ("V-0", "V-1", "V-2", "V-3"),
            np.array([False, False, True, True]), np.zeros(4, int),
        ),
        felt=Felt(np.arange(number), row, np.zeros(number), value * 1.0, cold, warmth),
        fluid=FluidAges(km * 1.0, days * 1.0, product, np.zeros(number, int)),
        excluded=apart,
    )  # fmt: skip


def names(found: Gathered) -> list[int]:
    return [int(one) for one in found.standing]


# --- what counts -------------------------------------------------------------------------------
def test_a_rating_counts_or_has_the_first_reason_why_not() -> None:
    """COUNTS, EXCLUDED, NO_AGE, OTHER_FLUID, RUN_IN, TOO_OLD are 0 to 5, as they are told."""
    found = gathered(
        [
            (0, 3, 1_000, 30, USUAL, False),  # run-in is over
            (0, 3, 999, 90, USUAL, False),
            (0, 3, 5_000, 29.9, USUAL, False),
            (2, 3, 17_000, 200, TRIED, False),  # the last km of the interval
            (2, 3, 17_001, 200, TRIED, False),
            (2, 3, 5_000, 90, USUAL, False),  # the other product is inside
            (0, 3, 5_000, 90, TRIED, False),
            (0, 3, NAN, 90, USUAL, False),
            (0, 3, 5_000, NAN, USUAL, False),
            (0, 3, NAN, 90, TRIED, False),
            (0, 3, NAN, 90, TRIED, True),
            (0, 3, 999, 90, TRIED, False),
        ]
    )
    assert names(found) == [0, 4, 4, 0, 5, 3, 3, 2, 2, 2, 1, 3]
    # four bands of 4,000 km from 1,000 km on
    assert found.band.tolist()[:4] == [0, -1, -1, 3]
    assert found.vehicles.named(found.vehicles.side("tried")) == ["V-2", "V-3"]
    assert found.vehicles.named(found.vehicles.side("usual")) == ["V-0", "V-1"]
    assert found.drawn.in_b.tolist() == [False, False, True, True]


def test_ratings_are_counted_by_group_and_standing_against_those_expected() -> None:
    found = gathered(
        [
            (0, 3, 5_000, 90, USUAL, False),
            (1, 3, 500, 90, USUAL, False),
            (2, 3, 5_000, 90, TRIED, False),
            (3, 3, 5_000, 90, TRIED, True),
            (3, 3, 5_000, 90, TRIED, False),
        ]
    )
    at = datetime(2025, 12, 1, 12, tzinfo=UTC)
    told = _ratings(found, at + timedelta(days=35))
    assert {side: one["given"] for side, one in told.items()} == {"usual": 2, "tried": 3}
    assert told["usual"]["by standing"]["after run-in"] == 1
    assert told["usual"]["by standing"]["inside run-in"] == 1
    assert told["tried"]["by standing"]["after run-in"] == 2
    assert told["tried"]["by standing"]["in an excluded period"] == 1
    assert sum(told["tried"]["by standing"].values()) == 3
    # by hand: 35 of 100 days, ten ratings of each of two vehicles
    for days, expected in ((-5, 0), (0, 0), (35, 7), (100, 20), (130, 20)):
        late = _ratings(found, at + timedelta(days=days))
        assert [one["expected so far"] for one in late.values()] == [expected] * 2


@pytest.mark.parametrize(
    ("cold", "with_warmth", "shares", "apart"),
    [
        ([1, 0, 0, 0, 0, 0], [1] * 6, (1 / 3, 0.0), True),
        ([1, 0, 0, 1, 0, 0], [1] * 6, (1 / 3, 1 / 3), False),
        ([1, 0, 0, 0, 0, 0], [1, 1, 1, 0, 0, 0], (1 / 3, None), False),  # nobody said how warm
        ([1, 0, 0, 1, 1, 0], [0, 1, 1, 1, 1, 1], (0.0, 2 / 3), True),
    ],
)
def test_weather_that_was_unlike_by_more_than_a_fifth_is_told(
    cold: list[int], with_warmth: list[int], shares: tuple[float | None, ...], apart: bool
) -> None:
    rows = [(at, 3, 5_000.0, 90.0, product, False) for at, product in zip(
        (0, 0, 1, 2, 2, 3), (USUAL,) * 3 + (TRIED,) * 3, strict=True)]  # fmt: skip
    found = gathered(
        rows, cold=[bool(one) for one in cold], with_warmth=[bool(one) for one in with_warmth]
    )
    told = _warmth(found, found.standing == 0)
    assert told["cold share"] == {
        "usual": None if shares[0] is None else pytest.approx(shares[0]),
        "tried": None if shares[1] is None else pytest.approx(shares[1]),
    }
    assert told["apart"] is apart
    nothing = _warmth(found, np.zeros(6, bool))
    assert nothing == {"cold share": {"usual": None, "tried": None}, "apart": False}


def test_a_fifth_apart_is_still_alike() -> None:
    rows = [
        (side, 3, 5_000.0, 90.0, (USUAL, TRIED)[side > 1], False) for side in (0,) * 5 + (2,) * 5
    ]
    found = gathered(rows, cold=[True] + [False] * 9)
    assert _warmth(found, found.standing == 0)["apart"] is False  # a fifth, and none


# --- bands and cells ---------------------------------------------------------------------------
def test_a_band_tells_its_km_and_the_mean_of_each_group() -> None:
    found = gathered([(0, 3, 5_000, 90, USUAL, False)])
    cell = np.array([[3, NAN, 2, NAN], [5, NAN, NAN, NAN], [4, NAN, NAN, 1], [NAN, NAN, NAN, 2]])
    told = _bands(found, cell, np.array([True, False, False, True]))
    assert [(one["from_km"], one["to_km"], one["compared"]) for one in told] == [
        (1_000, 5_000, True),
        (5_000, 9_000, False),
        (9_000, 13_000, False),
        (13_000, 17_000, True),
    ]
    assert [one["usual"] for one in told] == [
        {"vehicles": 2, "mean": 4.0},
        {"vehicles": 0, "mean": None},
        {"vehicles": 1, "mean": 2.0},
        {"vehicles": 0, "mean": None},
    ]
    assert told[3]["tried"] == {"vehicles": 2, "mean": 1.5}
    assert _cell(np.array([])) == {"vehicles": 0, "mean": None}


def test_where_seasons_are_apart_a_band_counts_in_any_third() -> None:
    found = gathered([(0, 3, 5_000.0, 90.0, USUAL, False)] * 4)
    # four bands of age in three thirds of warmth: the second band is compared when it was warm
    counting = np.zeros(12, bool)
    counting[5] = True
    compared = SimpleNamespace(counting=counting)
    apart = _Seasons(found, np.array([5, 5, 4, -1]), [])
    assert apart.bands(compared).tolist() == [False, True, False, False]
    told = apart.told(compared, found.standing == 0)
    assert told == {"apart": True, "left out": 2, "no climate": []}
    assert apart.verdict(compared) == ""
    nothing = SimpleNamespace(counting=np.zeros(12, bool))
    assert apart.verdict(nothing) == "seasons do not overlap: no verdict"
    lacking = _Seasons(found, np.array([5, 5, 4, -1]), ["Hill", "Plain"])
    assert lacking.verdict(nothing) == "no verdict: enter the climate of Hill, Plain"
    alike = _Seasons(found, found.band, ["Hill"])
    by_age = SimpleNamespace(counting=np.array([True, False, False, False]))
    assert alike.bands(by_age).tolist() == [True, False, False, False]
    assert alike.verdict(SimpleNamespace(counting=np.zeros(4, bool))) == ""
    told = alike.told(by_age, found.standing == 0)
    assert told == {"apart": False, "left out": 0, "no climate": []}


@pytest.mark.parametrize(
    ("least", "most", "first", "last"),
    [(4, 10, 4, 14), (4, 5, 4, 8), (6, 400, 6, 560), (4, 0, 4, 8)],
)
def test_the_curve_of_power_goes_a_little_beyond_what_is_needed(
    least: int, most: int, first: int, last: int
) -> None:
    # our choice: seven sizes up to 1.4 times what is needed, and four more than the least at least
    found = _sizes(least, most)
    assert (found[0], found[-1]) == (first, last)
    assert found == sorted(set(found))
    assert len(found) == min(7, last - first + 1)


def test_odds_are_told_where_ratings_overlap() -> None:
    rows = [
        (at, value, 5_000.0, 90.0, (USUAL, TRIED)[at > 1], False)
        for at in range(4)
        for value in ((1, 2, 3) if at < 2 else (2, 3, 4))
    ]
    found = gathered(rows)
    compared = SimpleNamespace(used=np.ones(4, bool), counting=np.ones(4, bool))
    odds = _odds(found, compared, found.band)
    assert odds is not None
    assert 3 < odds < 30
    apart = gathered([(at, 1 if at < 2 else 5, 5_000.0, 90.0, (USUAL, TRIED)[at > 1], False)
                      for at in range(4) for _ in range(3)])  # fmt: skip
    assert _odds(apart, compared, apart.band) is None


# --- verdicts ----------------------------------------------------------------------------------
def inference(difference: float, low: float, high: float, p_value: float = 0.01) -> Inference:
    given = {"difference": difference, "low": low, "high": high, "p_value": p_value}
    return Inference(**given, arrangements=70, exact=True)


@pytest.mark.parametrize(
    ("found", "needed", "words"),
    [
        (inference(1.04, 0.3, 1.8), 16, "better by 1.0 (0.3 to 1.8)"),
        (inference(0.4, 0.1, 0.7), 16, "better by 0.4 (0.1 to 0.7)"),
        (inference(-1.06, -1.8, -0.3), 16, "worse by 1.1 (0.3 to 1.8)"),
        (inference(0.5, 0.0, 1.0), 16, "no difference shown"),
        (inference(-0.5, -1.0, 0.0), 16, "no difference shown"),
        (inference(0.5, -0.1, 1.0), 16, "no difference shown"),
        (inference(0.5, NAN, NAN, NAN), 16, "too few vehicles: 16 needed"),
        (inference(0.5, NAN, NAN, NAN), None, "too few vehicles: more than 800 needed"),
    ],
)
def test_a_verdict_is_said_of_the_tried_product(
    found: Inference, needed: int | None, words: str
) -> None:
    assert verdict_of(found, needed) == words


def test_what_is_not_taken_out_is_named() -> None:
    apart = {"seasons": {"apart": True, "left out": 7}}
    told = confounds(Trial(blinded=True), apart)
    assert told[0] == NOT_SENT
    assert "7 ratings have no counterpart" in told[1]
    assert confounds(Trial(blinded=False), {}) == [OPEN_TRIAL, NOT_SENT]
    assert confounds(Trial(blinded=True), {"seasons": {"apart": False}}) == [NOT_SENT]


def test_an_interim_look_is_shown_without_what_only_the_end_tells() -> None:
    details = {"trends": {"usual": {"p_value": 0.02, "bands": 3}}, "other": 1}
    given = {"low": 0.1, "high": 1.0, "p_value": 0.03, "verdict": "better", "details": details}
    on = Trial(ends_on=date(2026, 12, 1))
    look = TrialResult(trial=on, state="interim", difference=0.5, **given)
    told = as_shown(look)
    assert (told.low, told.high, told.p_value, told.difference) == (None, None, None, 0.5)
    assert told.verdict == "interim: evaluated once, after 1 Dec 2026"
    assert told.details == {"trends": {"usual": {"p_value": None, "bands": 3}}, "other": 1}
    assert (look.low, look.details["trends"]["usual"]["p_value"]) == (0.1, 0.02)  # as it was
    for state in ("final", "ended early"):
        final = TrialResult(trial=on, state=state, **given)
        assert as_shown(final) is final


# --- money -------------------------------------------------------------------------------------
def test_costs_of_both_products_by_hand() -> None:
    told = of_trial(
        trial(
            quantity_ml=2_000, labour_minor=3_000, materials_minor=500, visit_minor=1_500,
            proposed_interval_km=34_000.0,
        ),
        {
            "usual": TrialGroup(price_minor_per_l=1_000),
            "tried": TrialGroup(price_minor_per_l=2_500),
        },
    )  # fmt: skip
    # 2 L at 10.00 and 25.00, and 50.00 beside: 70.00 and 100.00 a change
    assert (told.usual_minor, told.tried_minor) == (7_000, 10_000)
    assert (told.usual_fluid_minor, told.tried_fluid_minor) == (2_000, 5_000)
    assert told.usual_per_1000_km == pytest.approx(7_000 / 17)
    assert told.tried_per_1000_km == pytest.approx(10_000 / 17)
    assert told.tried_per_1000_km_proposed == pytest.approx(10_000 / 34)
    assert told.break_even_km == pytest.approx(17_000 * 10 / 7)
    assert told.break_even_fluid_only_km == pytest.approx(17_000 * 2.5)
    free = of_trial(
        trial(quantity_ml=2_000, labour_minor=0, materials_minor=0, visit_minor=0),
        {"usual": TrialGroup(price_minor_per_l=0), "tried": TrialGroup(price_minor_per_l=2_500)},
    )
    assert (free.break_even_km, free.break_even_fluid_only_km) == (None, None)
    assert free.tried_per_1000_km_proposed is None
    assert _paying(trial(), free) is None


def test_for_how_many_it_can_pay_is_said_by_duty() -> None:
    paying = {"can": ["V-1", "V-2"], "cannot": ["V-3"], "not_known": []}
    told = "It can pay for 2 of 3 vehicles of the type, each counted in its own duty"
    assert can_in_words(paying) == f"{told}."
    by_class = paying | {"of_class": {"normal": [2, 2], "severe": [0, 1]}}
    assert can_in_words(by_class) == f"{told}: 2 of 2 in normal duty, 0 of 1 in severe duty."
    assert len(in_words(by_class)) == 2
    assert len(in_words(by_class | {"cannot": []})) == 1


# --- the laboratory ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("low", "high", "kept"),
    [
        (10.0, 20.0, [False, True, True, True, False]),
        (None, 20.0, [True, True, True, True, False]),
        (10.0, None, [False, True, True, True, True]),
    ],
)
def test_a_value_at_its_limit_keeps_it(
    low: float | None, high: float | None, kept: list[bool]
) -> None:
    values = np.array([9.9, 10.0, 15.0, 20.0, 20.1])
    assert within(LabProperty(low=low, high=high), values).tolist() == kept


def test_top_ups_count_after_the_change_and_before_the_sample() -> None:
    at_d = np.array([10.0, 20.0, 30.0, 20.0])
    found = TopUps(np.array([1, 1, 1, 2]), at_d, at_d * 100, at_d / 100)
    assert found.between(1, 10.0, 30.0).tolist() == [1]
    assert found.between(1, 9.9, 30.1).tolist() == [0, 1, 2]
    assert found.between(2, 0.0, 99.0).tolist() == [3]
    assert found.between(3, 0.0, 99.0).tolist() == []


@pytest.mark.parametrize(
    ("driven", "share", "told"),
    [
        ((5_000.0, 5_000.0), (0.2,), 42.2705),  # A-09 of the check values, by its closed form
        ((5_000.0, 5_000.0), (0.499,), None),
        ((5_000.0, 5_000.0), (0.5,), NAN),  # half of it at once: the balance does not hold
        ((5_000.0, NAN), (0.2,), NAN),
        ((5_000.0, -1.0), (0.2,), NAN),
        ((0.0, 10_000.0), (0.2,), None),
    ],
)
def test_a_value_is_balanced_where_the_way_between_top_ups_is_known(
    driven: tuple[float, ...], share: tuple[float, ...], told: float | None
) -> None:
    found = _balanced(40.0, np.array(driven), np.array(share))
    if told is None:
        assert np.isfinite(found)
    else:
        assert found == pytest.approx(told, abs=1e-3, nan_ok=True)


# --- the months --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("until_on", "months"),
    [
        (date(2025, 12, 1), ["2025-12"]),
        (date(2026, 1, 31), ["2025-12", "2026-01"]),
        (date(2026, 3, 1), ["2025-12", "2026-01", "2026-02", "2026-03"]),
        (date(2026, 9, 1), ["2025-12", "2026-01", "2026-02", "2026-03"]),  # ended on 11 March
    ],
)
def test_the_months_of_a_trial_go_across_the_year_and_not_beyond_its_end(
    until_on: date, months: list[str]
) -> None:
    assert [f"{on:%Y-%m}" for on in _trial_months(trial(), until_on)] == months


def test_a_months_own_temperature_stands_before_that_of_every_year() -> None:
    months = {(1, 0, 3): 8.0, (1, 2026, 3): 11.0, (2, 0, 3): -4.0}
    assert _mean(months, 1, date(2026, 3, 9)) == 11.0
    assert _mean(months, 1, date(2027, 3, 9)) == 8.0
    assert _mean(months, 2, date(2026, 3, 9)) == -4.0
    assert np.isnan(_mean(months, 2, date(2026, 4, 9)))
