"""From ratings in the database to a verdict. Expected values by hand from the scene."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.due.models import Fill
from fleet.people.actor import Actor
from fleet.trials.assign import exclude
from fleet.trials.evaluate import evaluate, evaluate_running
from fleet.trials.models import Rating, Trial, TrialResult
from fleet.trials.rate import Felt, rate
from tests.scene import NOW
from tests.trials.field import (
    PROGRAM,
    STARTS_ON,
    Field,
    alike,
    at_its_end,
    begun,
    better,
    noon,
    rated,
)

pytestmark = pytest.mark.django_db


def standings(result: TrialResult, side: str) -> dict[str, int]:
    found: dict[str, int] = result.details["ratings"][side]["by standing"]
    return {words: number for words, number in found.items() if number}


def test_no_difference_is_shown_where_there_is_none(sixteen: Field) -> None:
    rated(sixteen, alike)
    result = at_its_end(sixteen)
    assert result.verdict == "no difference shown"
    assert result.low is not None
    assert result.low < 0 < (result.high or 0)


def test_a_better_product_is_found(sixteen: Field) -> None:
    rated(sixteen, better)
    result = at_its_end(sixteen)
    assert result.verdict.startswith("better by ")
    assert result.difference == pytest.approx(1.2, abs=0.5)
    assert result.p_value is not None
    assert result.p_value <= 0.05
    assert result.details["odds"] > 3


def test_a_worse_product_is_told_so(sixteen: Field) -> None:
    rated(sixteen, lambda place, days, rng: 6 - better(place, days, rng))
    assert at_its_end(sixteen).verdict.startswith("worse by ")


def test_ratings_inside_run_in_are_shown_and_never_compared(sixteen: Field) -> None:
    """T-08: days 3 and 17 lie within 30 days; day 31 is 3,100 km."""
    rated(sixteen, lambda place, days, rng: 5 if days < 30 and place.group.tried else 3)
    result = at_its_end(sixteen)
    assert result.difference == 0
    assert standings(result, "tried")["inside run-in"] == 2 * 8
    assert standings(result, "tried")["after run-in"] == 10 * 8  # 31 … 157 d, up to 15,700 km


def test_too_few_vehicles_name_the_number_needed(six: Field) -> None:
    field = six
    rated(field, better)
    result = at_its_end(field)
    needed = 2 * (field.trial.needed_per_group or 0)
    assert result.verdict == f"too few vehicles: {needed} needed"
    assert result.vehicles_needed == needed >= 8
    assert result.low is result.p_value is None


def test_pairs_need_at_least_six() -> None:
    field = begun(10, pairs=True, smallest_difference=3.0)
    rated(field, better)
    assert at_its_end(field).verdict == "too few vehicles: 12 needed"


def test_vehicles_without_a_cell_are_named(sixteen: Field) -> None:
    rated(sixteen, alike)
    silent, early = sixteen.places[0], sixteen.places[1]
    Rating.objects.filter(trial_vehicle=silent).delete()
    Rating.objects.filter(
        trial_vehicle=early, rated_at__gt=noon(STARTS_ON) + timedelta(30)
    ).delete()
    told = evaluate(sixteen.trial, NOW).details["vehicles"]
    left_out = [place.group.tried for place in (silent, early)]
    assert told["drawn"] == {"usual": 8, "tried": 8}
    assert told["compared"] == {"usual": 8 - left_out.count(False), "tried": 8 - sum(left_out)}
    assert told["never rated"] == [silent.vehicle.fleet_number]
    assert told["rated, but never after run-in"] == [early.vehicle.fleet_number]


def test_one_rating_after_run_in_is_enough_not_to_be_named_as_without(six: Field) -> None:
    field = six
    rated(field, alike)
    once, never = field.places[0], field.places[1]
    for place in (once, never):  # the first fortnight of a change is run-in: 700 km a week
        place.ratings.filter(rated_at__gt=noon(STARTS_ON + timedelta(days=4))).delete()
    field.rate(once, noon(STARTS_ON + timedelta(days=60)), 3)
    told = evaluate(field.trial, NOW).details["vehicles"]
    assert told["rated, but never after run-in"] == [never.vehicle.fleet_number]
    assert told["never rated"] == []


def test_the_age_counts_from_the_newest_change(two: Field) -> None:
    place = two.places[0]
    two.change(place, STARTS_ON + timedelta(days=100))
    two.rate(place, noon(STARTS_ON + timedelta(days=99)), 3)
    two.rate(place, noon(STARTS_ON + timedelta(days=107)), 4)
    ages = [(rating.age_d, rating.age_km) for rating in place.ratings.order_by("rated_at")]
    assert ages[0] == pytest.approx((99, 9_900))
    assert ages[1] == pytest.approx((7, 700))


def test_after_the_last_reading_the_age_is_what_usage_expects(two: Field) -> None:
    place = two.places[0]
    later = NOW + timedelta(days=5)
    rate(Actor(None, "command", later), [Felt(place, 3, later, "later")])
    kept = place.ratings.get()
    days = (later - noon(STARTS_ON)).total_seconds() / 86_400
    assert kept.age_km == pytest.approx(100 * days, rel=0.01)


def test_another_fluid_inside_does_not_count(sixteen: Field) -> None:
    rated(sixteen, alike)
    place = sixteen.places[0]
    other = next(one.group.product for one in sixteen.places if one.group_id != place.group_id)
    Fill.objects.filter(vehicle=place.vehicle).delete()
    Fill.objects.create(
        vehicle=place.vehicle,
        compartment=sixteen.trial.service.compartment,
        filled_on=STARTS_ON,
        origin="product",
        product=other,
        source="invented",
    )
    result = evaluate(sixteen.trial, NOW)
    side = "tried" if place.group.tried else "usual"
    assert standings(result, side)["another fluid inside, or not recorded"] == 14
    assert place.vehicle.fleet_number in result.details["start"]["not changed"][side]


def test_an_excluded_period_leaves_its_days_out(sixteen: Field) -> None:
    rated(sixteen, alike)
    first, last = STARTS_ON + timedelta(days=31), STARTS_ON + timedelta(days=45)
    place = sixteen.places[0]
    exclude(
        PROGRAM, sixteen.trial, from_on=first, until_on=last, reason="snow", vehicle=place.vehicle
    )
    side = "tried" if place.group.tried else "usual"
    assert standings(evaluate(sixteen.trial, NOW), side)["in an excluded period"] == 2
    exclude(PROGRAM, sixteen.trial, from_on=last, until_on=last, reason="strike")
    assert standings(evaluate(sixteen.trial, NOW), side)["in an excluded period"] == 9


def test_what_does_not_count_moves_no_odds(sixteen: Field) -> None:
    field, apart_d = sixteen, (40, 80)  # both bands up to 9,000 km have ratings beside it
    rated(
        field,
        lambda place, days, rng: (
            6 - better(place, days, rng)
            if apart_d[0] <= days <= apart_d[1]
            else better(place, days, rng)
        ),
    )
    first, last = (STARTS_ON + timedelta(days=days) for days in apart_d)
    exclude(PROGRAM, field.trial, from_on=first, until_on=last, reason="other tyres")
    assert at_its_end(field).details["odds"] > 3


def test_a_trial_that_changes_only_one_group_is_marked() -> None:
    field = begun(only_tried=True)
    rated(field, alike)
    assert evaluate(field.trial, NOW).details["start"]["unequal"]
    early = begun_again(field, STARTS_ON - timedelta(days=15))
    assert evaluate(early, NOW).details["start"]["unequal"]
    in_time = begun_again(field, STARTS_ON - timedelta(days=14))
    assert not evaluate(in_time, NOW).details["start"]["unequal"]


def begun_again(field: Field, on: date) -> Trial:
    for place in field.places:
        if not place.group.tried:
            field.change(place, on)
    return field.trial


def test_a_day_has_one_result_and_again_changes_nothing(sixteen: Field) -> None:
    rated(sixteen, better)
    first, again = evaluate(sixteen.trial, NOW), evaluate(sixteen.trial, NOW)
    assert first.pk == again.pk
    assert first.difference == again.difference
    assert first.details == again.details


def test_later_readings_refine_the_ages_that_were_kept(two: Field) -> None:
    place = two.places[0]
    two.rate(place, noon(STARTS_ON + timedelta(days=50)), 3)
    Rating.objects.update(age_km=1.0)
    evaluate(two.trial, NOW)
    assert place.ratings.get().age_km == pytest.approx(5_000)


def test_cold_weather_on_one_side_is_told(four: Field) -> None:
    field = four
    for place in field.places:
        warmth = "freezing" if place.group.tried else "warm"
        field.rate(place, noon(date(2026, 2, 1)), 3, warmth=warmth)
        field.rate(place, noon(date(2026, 2, 2)), 3)  # nobody said how warm it was
        field.rate(place, noon(STARTS_ON + timedelta(days=3)), 3, warmth="freezing")  # run-in
    found = evaluate(field.trial, NOW).details["warmth"]
    assert found == {"cold share": {"tried": 1.0, "usual": 0.0}, "apart": True}


def test_money_breaks_even_as_by_hand(two: Field) -> None:
    """1.5 L at 10 against 13 with 40 labour on each: 55 against 59.5 per 17,000 km."""
    cost = evaluate(two.trial, NOW)
    assert cost.break_even_km == pytest.approx(17_000 * 59.5 / 55)
    assert cost.details["cost"]["break_even_fluid_only_km"] == pytest.approx(17_000 * 1.3)
    assert cost.details["cost"]["usual_per_1000_km"] == pytest.approx(5_500 / 17)


def test_the_night_evaluates_what_runs_and_writes_nothing_twice(sixteen: Field) -> None:
    rated(sixteen, alike)
    here = [sixteen.vans[0].depot_id]
    assert evaluate_running(NOW, here) == 1
    with CaptureQueriesContext(connection) as asked:
        assert evaluate_running(NOW, here) == 1
    written = [one["sql"] for one in asked if one["sql"].startswith(("INSERT", 'UPDATE "trials_t'))]
    assert written == []


def test_the_night_leaves_other_depots_alone() -> None:
    begun(2)
    assert evaluate_running(NOW, []) == 0


def test_the_night_waits_for_the_last_sheets_and_then_evaluates_once(sixteen: Field) -> None:
    rated(sixteen, alike)
    here = [sixteen.vans[0].depot_id]
    Trial.objects.update(ends_on=NOW.date() - timedelta(days=14))
    assert evaluate_running(NOW, here) == 0
    assert evaluate_running(NOW + timedelta(days=1), here) == 1
    assert evaluate_running(NOW + timedelta(days=2), here) == 0
    assert [one.state for one in TrialResult.objects.all()] == ["final"]
