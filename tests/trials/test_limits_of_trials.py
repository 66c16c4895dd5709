"""Limits at which a trial, a rating, a sample or a sheet is refused, on both sides; by hand."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from fleet.due.models import Limit
from fleet.faults import Fault, Question
from fleet.trials.assign import assign, exclude
from fleet.trials.set_up import Costs, SetUp, needed_in_all, set_up
from tests.kept import kept
from tests.scene import depot, service, van
from tests.trials.field import PROGRAM, STARTS_ON, Field, given, products

pytestmark = pytest.mark.django_db
IN_IT = date(2026, 3, 2)
FEW = "a small scene"


@kept
def asked() -> SetUp:
    return given(service(km=60_000), *products())


@kept
def field(four: Field) -> Field:
    return four


# --- set up ------------------------------------------------------------------------------------
@pytest.mark.any_database  # what is asked is looked at before any row is written
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"smallest_difference": 4.0}, ""),
        ({"smallest_difference": 4.1}, "not above 4"),
        ({"ratings_per_vehicle": 1}, ""),
        ({"ratings_per_vehicle": 0}, "1 to 200"),
        ({"ratings_per_vehicle": 200}, ""),
        ({"ratings_per_vehicle": 201}, "1 to 200"),
        ({"missing_share": 0.0}, ""),
        ({"missing_share": -0.01}, "share missing"),
        ({"interval_km": 1_000.0}, "1,000 km does not"),
        ({"interval_km": 1_001.0}, ""),
        ({"interval_km": 1_000_000.0}, ""),
        ({"interval_km": 1_000_001.0}, "does not"),
        ({"proposed_interval_km": 17_000.0}, "lies above the 17,000 km"),
        ({"proposed_interval_km": 17_001.0}, ""),
        ({"proposed_interval_km": 1_000_000.0}, ""),
        ({"proposed_interval_km": 1_000_001.0}, "not above 1,000,000 km"),
        ({"ends_on": STARTS_ON}, "ends after it starts"),
        ({"ends_on": STARTS_ON + timedelta(days=1)}, ""),
        ({"source": " "}, "the source of its prices"),
    ],
)
def test_a_trial_lies_within_its_limits(asked: SetUp, changes: dict[str, Any], words: str) -> None:
    wanted = replace(asked, **{"smallest_difference": 4.0, **changes})  # few vehicles: quick
    if words:
        with pytest.raises(Fault, match=words):
            set_up(PROGRAM, wanted)
        return
    trial = set_up(PROGRAM, wanted)
    assert needed_in_all(trial) == 2 * (trial.needed_per_group or 0)


def test_what_nobody_says_is_taken_as_the_choice_of_the_program(asked: SetUp) -> None:
    named = {"name", "service", "usual", "tried", "starts_on", "ends_on", "source"}
    named |= {"usual_price_minor_per_l", "tried_price_minor_per_l"}
    bare = SetUp(**{name: getattr(asked, name) for name in named}, quantity_ml=1_500)
    # our choice: one grade, eight ratings of each, of which a tenth is missing
    trial = set_up(PROGRAM, bare)
    assert (trial.smallest_difference, trial.ratings_per_vehicle, trial.missing_share) == (
        1,
        8,
        0.1,
    )
    assert (trial.blinded, trial.assignment, trial.within_depots) == (True, "random", True)
    assert (trial.labour_minor, trial.materials_minor, trial.visit_minor) == (0, 0, 0)
    assert trial.proposed_interval_km is None


def test_a_check_changes_no_fluid(asked: SetUp) -> None:
    asked.service.kind = "check"
    with pytest.raises(Fault, match="changes no fluid"):
        set_up(PROGRAM, asked)


def test_costs_prices_and_words_are_kept_as_they_were_given(asked: SetUp) -> None:
    wanted = replace(
        asked,
        smallest_difference=4.0,
        name=" Dearer oil: 2nd try ",
        question=" ",
        costs=Costs(labour_minor=1, materials_minor=2, visit_minor=3),
    )
    trial = set_up(PROGRAM, wanted)
    assert (trial.labour_minor, trial.materials_minor, trial.visit_minor) == (1, 2, 3)
    assert (trial.slug, trial.name) == ("dearer-oil-2nd-try", "Dearer oil: 2nd try")
    assert trial.question == "How well does it feel to drive?"
    prices = {group.tried: group.price_minor_per_l for group in trial.groups.all()}
    assert prices == {False: 1_000, True: 1_300}
    letters = list(trial.groups.order_by("letter").values_list("letter", flat=True))
    assert letters == ["A", "B"]
    assert set_up(PROGRAM, replace(wanted, name="!")).slug == "trial"
    assert len(set_up(PROGRAM, replace(wanted, name="x" * 60)).slug) == 40


def test_the_shortest_limit_of_either_product_is_compared(asked: SetUp) -> None:
    wanted = replace(asked, smallest_difference=4.0, interval_km=None)
    for product, km in ((asked.tried, 50_000), (asked.usual, 55_000)):
        limit = {"service": asked.service, "duty_class": "normal", "source": "invented"}
        Limit.objects.create(**limit, product=product, limit_km=km)
    assert set_up(PROGRAM, wanted).interval_km == 50_000
    Limit.objects.filter(product=asked.tried).delete()
    assert set_up(PROGRAM, replace(wanted, name="B")).interval_km == 55_000
    Limit.objects.update(limit_km=None, limit_months=12)
    with pytest.raises(Fault, match="has no limit in km"):
        set_up(PROGRAM, replace(wanted, name="C"))


# --- drawn -------------------------------------------------------------------------------------
def test_what_no_fleet_can_show_is_asked_about(asked: SetUp) -> None:
    trial = set_up(PROGRAM, replace(asked, smallest_difference=0.05))
    vans = [van(f"V-{at}") for at in range(4)]
    assert needed_in_all(trial) is None
    with pytest.raises(Question, match="more than 800 would be needed") as asked_about:
        assign(PROGRAM, trial, vans)
    assert asked_about.value.about == "vehicles"
    assign(PROGRAM, trial, vans, few_because=" a try ")
    drawn = trial.events.get(what="groups drawn")
    assert drawn.detail == "4 vehicles, seed 11; few, because a try"


def test_one_vehicle_is_no_comparison_and_two_are(asked: SetUp) -> None:
    trial = set_up(PROGRAM, replace(asked, smallest_difference=4.0))
    first = van("V-1")
    for vans in ([], [first], [first, first], [first, van("H-1", depot("hill"))]):
        with pytest.raises(Fault, match="No two of these vehicles"):
            assign(PROGRAM, trial, vans, few_because=FEW)
    drawn = assign(PROGRAM, trial, [first, van("V-2")], few_because=FEW)
    assert (drawn.vehicles, drawn.left_over) == (2, ())


def test_over_depots_a_vehicle_alone_in_its_own_takes_part(asked: SetUp) -> None:
    wanted = replace(asked, smallest_difference=4.0, within_depots=False)
    vans = [van("V-1"), van("V-2"), van("H-1", depot("hill"))]
    drawn = assign(PROGRAM, set_up(PROGRAM, wanted), vans, few_because=FEW)
    assert (drawn.vehicles, drawn.left_over) == (3, ())


def test_a_sold_vehicle_takes_no_part(asked: SetUp) -> None:
    trial = set_up(PROGRAM, replace(asked, smallest_difference=4.0))
    with pytest.raises(Fault, match="V-2 cannot take part"):
        assign(PROGRAM, trial, [van("V-1"), van("V-2", status="sold")], few_because=FEW)


@pytest.mark.parametrize(
    ("starts_on", "ends_on", "free"),
    [
        (date(2026, 12, 1), date(2027, 1, 1), False),  # on the last day of the other
        (date(2026, 12, 2), date(2027, 1, 1), True),
        (date(2025, 11, 1), STARTS_ON, False),
        (date(2025, 11, 1), STARTS_ON - timedelta(days=1), True),
    ],
)
def test_two_trials_of_a_service_share_no_day_of_a_vehicle(
    asked: SetUp, starts_on: date, ends_on: date, free: bool
) -> None:
    few = replace(asked, smallest_difference=4.0)
    vans = [van(f"V-{at}") for at in range(4)]
    assign(PROGRAM, set_up(PROGRAM, few), vans, few_because=FEW)
    other = set_up(PROGRAM, replace(few, name="Other", starts_on=starts_on, ends_on=ends_on))
    if free:
        assert assign(PROGRAM, other, vans, few_because=FEW).vehicles == 4
    else:
        with pytest.raises(Fault, match="until 1 Dec 2026: leave it out"):
            assign(PROGRAM, other, vans, few_because=FEW)


@pytest.mark.parametrize(
    ("days", "reason", "taken"), [(0, "snow", True), (-1, "snow", False), (3, " ", False)]
)
def test_a_period_has_a_reason_and_a_first_day_before_its_last(
    field: Field, days: int, reason: str, taken: bool
) -> None:
    span = {"from_on": IN_IT, "until_on": IN_IT + timedelta(days=days), "reason": reason}
    if taken:
        assert exclude(PROGRAM, field.trial, **span).reason == reason
        return
    with pytest.raises(Fault, match="needs a reason, and ends on or after"):
        exclude(PROGRAM, field.trial, **span)


def test_a_period_is_of_a_vehicle_that_takes_part(field: Field) -> None:
    with pytest.raises(Fault, match="V-99 takes no part"):
        exclude(
            PROGRAM, field.trial, from_on=IN_IT, until_on=IN_IT, reason="snow", vehicle=van("V-99")
        )
