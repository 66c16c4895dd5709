"""What of a rating is taken, and with which words it is refused."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from fleet.faults import Fault
from fleet.trials.models import Rating
from fleet.trials.rate import Felt, check_rating, rate, warmth_of
from tests.kept import kept
from tests.scene import NOW
from tests.trials.field import PROGRAM, STARTS_ON, Field, begun, noon

pytestmark = pytest.mark.django_db


@kept
def field() -> Field:
    return begun(6)


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


def test_before_the_first_change_the_fluid_has_no_age() -> None:
    field = begun(6, only_tried=True)
    usual = next(place for place in field.places if not place.group.tried)
    (row,) = rate(PROGRAM, [felt(field, trial_vehicle=usual)])
    assert (row.age_km, row.age_d) == (None, None)
    assert Rating.objects.get() == row
