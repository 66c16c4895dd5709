"""What of a rating is taken, and with which words it is refused."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from fleet.faults import Fault, Question
from fleet.trials.gather import gather
from fleet.trials.listing import counted, rated_at_an_age, ratings_of
from fleet.trials.models import Rating
from fleet.trials.rate import (
    Felt,
    LabLimits,
    Measured,
    check_rating,
    check_sample,
    most_of,
    name_property,
    rate,
    warmth_of,
)
from tests.kept import kept
from tests.scene import NOW
from tests.trials.field import PROGRAM, STARTS_ON, Field, at_its_end, begun, noon

pytestmark = pytest.mark.django_db


@kept
def field(six: Field) -> Field:
    return six


def felt(field: Field, **given: Any) -> Felt:
    return replace(Felt(field.places[0], 3, noon(date(2026, 3, 2)), "one"), **given)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"value": 1}, ""),
        ({"value": 5}, ""),
        ({"value": 0}, "from 1"),
        ({"value": 6}, "from 1"),
        ({"rated_at": NOW + timedelta(minutes=5)}, ""),  # a phone's clock
        ({"rated_at": NOW + timedelta(minutes=5, seconds=1)}, "in the future"),
        ({"rated_at": noon(STARTS_ON)}, ""),
        ({"rated_at": noon(STARTS_ON - timedelta(days=1))}, "is not part of it"),
        ({"temperature_c": -60.0}, ""),
        ({"temperature_c": 60.0}, ""),
        ({"temperature_c": -60.1}, "between −60 and 60"),
        ({"temperature_c": 60.1}, "between −60 and 60"),
        ({"warmth": "cool"}, ""),
        ({"warmth": "chilly"}, "choose one of them"),
    ],
)
def test_a_rating_lies_within_its_limits(field: Field, given: dict[str, Any], said: str) -> None:
    one = felt(field, **given)
    if not said:
        check_rating(one, NOW)
        return
    with pytest.raises(Fault, match=said):
        check_rating(one, NOW)


def test_a_temperature_falls_in_one_band() -> None:
    # our choice of bands: freezing below 0 °C, cool below 15, warm below 30, else hot
    at_c = {-0.1: "freezing", 0.0: "cool", 14.9: "cool", 15.0: "warm", 29.9: "warm", 30.0: "hot"}
    assert {degrees: warmth_of(degrees) for degrees in at_c} == at_c
    assert warmth_of(None) == ""


def test_a_rating_is_kept_with_who_felt_it_and_the_age_of_the_fluid(field: Field) -> None:
    (kept_row,) = rate(PROGRAM, [felt(field, by="x" * 90, temperature_c=3.0)])
    assert (kept_row.by, kept_row.warmth) == ("x" * 80, "cool")
    # by hand: changed on 1 December, felt on 2 March at noon: 90 full days and what of the day
    # was left after the change; at 100 km a day
    assert kept_row.age_d == pytest.approx(91, abs=1)
    assert kept_row.age_km == pytest.approx(9_100, rel=0.03)


def test_a_second_rating_of_a_day_is_asked_about_and_takes_the_place_of_the_first(
    field: Field,
) -> None:
    (first,) = rate(PROGRAM, [felt(field, by="Ada")])
    second = felt(field, by="ada ", value=4, client_key="two")
    with pytest.raises(Question, match="already, 3; a day counts once. Correct it to 4"):
        rate(PROGRAM, [second])
    (kept_row,) = rate(PROGRAM, [replace(second, corrects=True)])
    assert kept_row.corrects == first
    assert list(ratings_of([field.trial.pk])) == [kept_row]
    assert gather(field.trial, NOW).felt.value.tolist() == [4]
    assert rate(PROGRAM, [felt(field, by="Ada")]) == [first]  # sent once more


@pytest.mark.parametrize("other", [{"by": "Bo"}, {"rated_at": noon(date(2026, 3, 3))}, {"by": ""}])
def test_another_rater_or_day_is_another_rating(field: Field, other: dict[str, Any]) -> None:
    rate(PROGRAM, [felt(field, by="Ada")])
    rate(PROGRAM, [felt(field, **({"by": "Ada", "client_key": "two"} | other))])
    assert ratings_of([field.trial.pk]).count() == 2


def test_a_rating_that_came_after_the_evaluation_counts_nowhere(field: Field) -> None:
    (first,) = rate(PROGRAM, [felt(field)])
    result = at_its_end(field)
    later = felt(field, client_key="two", rated_at=noon(date(2026, 3, 9)))
    with pytest.raises(Fault, match="was evaluated on"):
        rate(PROGRAM, [later])
    assert rate(PROGRAM, [felt(field)]) == [first]  # known before
    Rating.objects.update(recorded_at=NOW - timedelta(days=1))
    assert counted([field.trial.pk])[field.trial.pk][1] == 1
    Rating.objects.update(recorded_at=(result.frozen_at or NOW) + timedelta(seconds=1))
    assert counted([field.trial.pk])[field.trial.pk][1] == 0
    assert not rated_at_an_age(field.trial)


@pytest.mark.parametrize(
    ("unit", "most"),
    [("mg/kg", 1e6), ("ppm", 1e6), ("% m/m", 100), ("g/kg", 1e3), ("mm²/s", None)],
)
def test_the_whole_sample_bounds_a_share_of_it(unit: str, most: float | None) -> None:
    assert most_of(unit) == most


IN_IT = date(2026, 3, 2)


@pytest.mark.parametrize(
    ("unit", "low", "value", "on", "said"),
    [
        ("mg/kg", None, 1_500_000, IN_IT, "1.5e\\+06 mg/kg is more than all of the fluid"),
        ("% m/m", None, 100.1, IN_IT, "more than all of the fluid, 100"),
        ("mg/kg", 10, 50, STARTS_ON - timedelta(days=1), "a sample of 30 Nov 2025 is not part"),
        ("mg/kg", 10, 50, STARTS_ON, ""),
        # ten times a limit, or where there is one on either side, twice; our choice
        ("mg/kg", None, 1_200, IN_IT, ""),
        ("mg/kg", None, 1_201, IN_IT, "more than ten times its limit, 120"),
        ("mm²/s", 10, 240, IN_IT, ""),
        ("mm²/s", 10, 241, IN_IT, "more than twice its limit, 120"),
        ("mm²/s", 10, 5, IN_IT, ""),
        ("mm²/s", 10, 4.9, IN_IT, "less than half of its limit, 10"),
    ],
)
def test_a_sample_is_of_the_trial_and_of_a_fluid(
    field: Field, unit: str, low: float | None, value: float, on: date, said: str
) -> None:
    limits = LabLimits(name="Iron", slug="iron", unit=unit, low=low, high=120, source="invented")
    iron = name_property(PROGRAM, field.trial, limits)
    one = Measured(field.places[0], iron, on, value, "R-1", "one")
    if not said:
        check_sample(one, NOW)
        return
    with pytest.raises(Fault, match=said):
        check_sample(one, NOW)


def test_before_the_first_change_the_fluid_has_no_age() -> None:
    field = begun(6, only_tried=True)
    usual = next(place for place in field.places if not place.group.tried)
    (row,) = rate(PROGRAM, [felt(field, trial_vehicle=usual)])
    assert (row.age_km, row.age_d) == (None, None)
    assert Rating.objects.get() == row
