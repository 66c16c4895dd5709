"""Groups changed in different seasons, from real rows to the words of the result."""

from datetime import timedelta

import pytest

from fleet.trials.evaluate import evaluate
from fleet.trials.models import TrialResult
from fleet.vehicles.models import ClimateMonth
from tests.kept import kept
from tests.trials.field import STARTS_ON, Field, alike, at_its_end, begun, noon, rated

pytestmark = pytest.mark.django_db

MONTHS_C = (2, 4, 8, 12, 16, 20, 22, 21, 17, 12, 7, 3)  # mean daily maxima; minima 10 below


def climate(field: Field, months_c: tuple[float, ...] = MONTHS_C) -> None:
    ClimateMonth.objects.all().delete()
    ClimateMonth.objects.bulk_create(
        ClimateMonth(
            depot=field.vans[0].depot,
            month=month,
            mean_daily_max_c=mean_c + 5,
            mean_daily_min_c=mean_c - 5,
            source="invented",
        )
        for month, mean_c in enumerate(months_c, start=1)
    )


def left_out(field: Field, result: TrialResult) -> int:
    """Ratings after run-in whose cell of age and warmth has those of one group only."""
    tried = {place.vehicle.fleet_number for place in field.places if place.group.tried}
    counted = [row for row in result.details["data"] if row[6] == "after run-in"]
    groups = {
        side: {row[5] for row in counted if (row[0] in tried) is side} for side in (True, False)
    }
    return sum(row[5] not in groups[True] & groups[False] for row in counted)


def late(field: Field, days: int) -> Field:
    """Only the tried vans got their change so many days after the others."""
    for place in field.places:
        if place.group.tried:
            field.change(place, STARTS_ON + timedelta(days=days))
    climate(field)
    rated(field, alike)
    return field


@kept
def ninety(sixteen: Field) -> Field:
    return late(sixteen, 90)


def seasons(result: TrialResult) -> dict[str, object]:
    found: dict[str, object] = result.details["seasons"]
    return found


def test_groups_changed_within_sixty_days_are_compared_by_age_alone(sixteen: Field) -> None:
    assert not seasons(at_its_end(late(sixteen, 0)))["apart"]


def test_ratings_are_compared_within_a_third_of_the_months(ninety: Field) -> None:
    """December to June: the tried vans were changed on 1 March, so no cold rating of theirs has
    a counterpart; the page says how many are left out, and why."""
    field = ninety
    for place in field.places:
        if place.group.tried:  # the ratings before their own change are of the first one
            place.ratings.filter(rated_at__lt=noon(STARTS_ON + timedelta(days=90))).delete()
    result = at_its_end(field)
    assert seasons(result)["apart"]
    # by hand: of 120 ratings after run-in only the third band in the warm months has both groups,
    # 8 vans of each rated once
    assert seasons(result)["left out"] == 120 - 16 == left_out(field, result)
    assert result.verdict == "no difference shown"
    assert any("different seasons" in one for one in result.details["confounds"])


def test_ratings_of_the_first_band_in_cool_months_are_compared_too(ninety: Field) -> None:
    """January and a cold April: in both, fluid of the first band is felt cool."""
    field = ninety
    climate(field, (1, 10, 11, 2, 15, 20, 22, 21, 17, 12, 7, 8))
    for place in field.places:
        if place.group.tried:
            place.ratings.filter(rated_at__lt=noon(STARTS_ON + timedelta(days=90))).delete()
    result = at_its_end(field)
    cool = [row for row in result.details["data"] if row[5:] == [0, "after run-in"]]
    assert len({row[0] for row in cool}) == 16
    assert seasons(result)["left out"] == left_out(field, result)


def test_seasons_that_do_not_overlap_give_no_verdict(sixteen: Field) -> None:
    field = late(sixteen, 120)
    for place in field.places:
        turn = noon(STARTS_ON + timedelta(days=121))
        if place.group.tried:
            place.ratings.filter(rated_at__lt=turn).delete()
        else:
            place.ratings.filter(rated_at__gt=turn).delete()
    result = at_its_end(field)
    assert result.verdict == "seasons do not overlap: no verdict"
    assert result.p_value is None


def test_without_the_climate_it_is_asked_for(ninety: Field) -> None:
    field = ninety
    for place in field.places:
        if place.group.tried:
            place.ratings.filter(rated_at__lt=noon(STARTS_ON + timedelta(days=90))).delete()
    ClimateMonth.objects.filter(month=3).delete()
    result = at_its_end(field)
    assert result.verdict == f"no verdict: enter the climate of {field.vans[0].depot.name}"
    assert result.p_value is None


def test_what_no_computation_removes_is_named() -> None:
    field = begun(8, blinded=False)
    told = evaluate(field.trial, noon(STARTS_ON)).details["confounds"]
    assert told[0].startswith("The trial is open")
    assert told[1].startswith("Bad ratings that nobody sent")
    assert len(told) == 2
