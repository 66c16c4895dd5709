"""One planned look: until the end a trial shows an estimate, and its verdict is made once."""

from datetime import date, timedelta

import pytest

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.trials import outcome
from fleet.trials.evaluate import end_early, evaluate
from fleet.trials.models import Trial, TrialEvent, TrialResult
from tests.scene import NOW
from tests.trials.field import (
    STARTS_ON,
    Field,
    alike,
    at_its_end,
    begun,
    better,
    noon,
    person,
    rated,
)

pytestmark = pytest.mark.django_db


def supervisor(field: Field) -> Person:
    return person("Sade", "supervisor", field.vans[0].depot)  # type: ignore[arg-type]


def test_a_look_before_the_end_has_an_estimate_and_no_verdict(sixteen: Field) -> None:
    rated(sixteen, better)
    for weeks in (3, 2, 1, 0):
        look = evaluate(sixteen.trial, NOW - timedelta(weeks=weeks))
        assert (look.state, look.p_value, look.low, look.high) == ("interim", None, None, None)
        assert look.verdict == "interim: evaluated once, after 1 Dec 2026"
    assert look.difference == pytest.approx(1.2, abs=0.5)


def test_as_many_ratings_are_expected_so_far_as_the_part_of_the_trial_that_is_over(
    eight: Field,
) -> None:
    # by hand: 4 vehicles a side and 24 ratings each; 196 days of 365 are over
    for as_of, expected in ((noon(STARTS_ON), 0), (NOW, 52)):
        told = evaluate(eight.trial, as_of).details["ratings"]
        assert {side["expected so far"] for side in told.values()} == {expected}


def test_null_trials_looked_at_every_fortnight_show_nothing_before_their_end(
    sixteen: Field,
) -> None:
    """Each look would be a chance to find what is not there: none gives a p."""
    rated(sixteen, alike)
    looks = [evaluate(sixteen.trial, NOW - timedelta(days=14 * back)) for back in range(8)]
    assert {look.p_value for look in looks} == {None}
    assert at_its_end(sixteen).p_value is not None
    assert TrialResult.objects.exclude(p_value=None).count() == 1


def test_what_comes_after_the_evaluation_changes_nothing(sixteen: Field) -> None:
    rated(sixteen, better)
    result = at_its_end(sixteen)
    before = (result.pk, result.verdict, result.difference, result.details)
    with pytest.raises(Fault, match="what comes later is no part of it"):
        sixteen.rate(sixteen.places[0], NOW - timedelta(days=1), 1)
    again = evaluate(sixteen.trial, NOW + timedelta(days=30))
    assert (again.pk, again.verdict, again.difference, again.details) == before


def test_the_evaluation_keeps_its_data(eight: Field) -> None:
    rated(eight, alike)
    data = at_its_end(eight).details["data"]
    assert len(data) == 8 * 14
    assert {row[6] for row in data} == {"after run-in", "inside run-in", "beyond the interval"}


def test_it_is_over_when_every_planned_rating_is_in() -> None:
    field = begun(8, ratings_per_vehicle=2)
    for place in field.places:
        field.rate(place, noon(date(2026, 1, 15)), 3)
    assert evaluate(field.trial, NOW).state == "interim"
    for place in field.places:
        field.rate(place, noon(date(2026, 2, 15)), 3)
    assert evaluate(field.trial, NOW).state == "final"


def test_the_last_day_is_the_last_depots(eight: Field) -> None:
    """At 15:00 UTC on the last day it is tomorrow in Brisbane (UTC+10); the trial runs there
    until that day is over at every depot."""
    eight.vans[0].depot.zone = "Australia/Brisbane"
    eight.vans[0].depot.save()
    Trial.objects.update(ends_on=NOW.date())
    eight.trial.refresh_from_db()
    assert evaluate(eight.trial, NOW.replace(hour=13, minute=59)).state == "interim"
    assert evaluate(eight.trial, NOW.replace(hour=14, minute=1)).state == "final"


def test_a_verdict_stored_by_an_earlier_look_is_hidden_and_kept(eight: Field) -> None:
    rated(eight, alike)
    look = evaluate(eight.trial, NOW)
    TrialResult.objects.update(verdict="better by 0.9 (0.1 to 1.7)", p_value=0.03, low=0.1)
    told = outcome.shown(eight.trial)
    assert told is not None
    assert (told.p_value, told.low) == (None, None)
    assert told.verdict.startswith("interim")
    look.refresh_from_db()
    assert look.p_value == 0.03


def test_a_supervisor_ends_it_early_with_a_reason_and_it_is_said_so(sixteen: Field) -> None:
    rated(sixteen, better)
    by = Actor(supervisor(sixteen), "page", NOW)
    result = end_early(by, sixteen.trial, reason="shavings in two gearboxes")
    assert (result.state, result.ended_by) == ("ended early", by.person)
    assert result.p_value is not None
    assert evaluate(sixteen.trial, NOW + timedelta(days=300)).pk == result.pk
    assert TrialEvent.objects.filter(what="ended early", person=by.person).count() == 1


def test_what_is_decided_stands_after_a_look_that_was_made_on_a_day_to_come(eight: Field) -> None:
    look = evaluate(eight.trial, NOW + timedelta(days=1))
    by = Actor(supervisor(eight), "page", NOW)
    decided = end_early(by, eight.trial, reason="shavings in two gearboxes")
    assert (decided.pk, decided.as_of_on) == (look.pk, NOW.date() + timedelta(days=1))


def test_nobody_else_ends_it_and_not_without_a_reason(eight: Field) -> None:
    engineer = person("Enno", "engineer", eight.vans[0].depot)  # type: ignore[arg-type]
    with pytest.raises(Forbidden):
        end_early(Actor(engineer, "page", NOW), eight.trial, reason="enough seen")
    by = Actor(supervisor(eight), "page", NOW)
    with pytest.raises(Fault, match="say who decides and why"):
        end_early(by, eight.trial, reason="  ")
    with pytest.raises(Fault, match="say who decides and why"):
        end_early(Actor(None, "command", NOW), eight.trial, reason="enough seen")
    assert not TrialResult.objects.exists()


def test_what_is_over_is_not_ended_early(eight: Field) -> None:
    by = Actor(supervisor(eight), "page", NOW)
    at_its_end(eight)
    with pytest.raises(Refused, match="its result stands"):
        end_early(by, eight.trial, reason="enough seen")


def test_a_rating_of_a_day_after_an_early_end_is_no_part_of_it(eight: Field) -> None:
    end_early(Actor(supervisor(eight), "page", NOW), eight.trial, reason="harm")
    later = NOW + timedelta(days=1)
    with pytest.raises(Fault, match="what comes later is no part of it"):
        eight.rate(eight.places[0], later, 3, now=later)
