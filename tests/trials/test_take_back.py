"""A lab sample that was wrong is taken back: who may, with which reason, and what stays."""

from dataclasses import replace

import pytest

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Role
from fleet.trials.models import LabSample, TrialEvent
from fleet.trials.rate import LabLimits, Measured, add_samples, name_property
from fleet.trials.take_back import take_back_sample
from tests.cast import depot, person
from tests.kept import kept
from tests.trials.field import PROGRAM, STARTS_ON, Field, at_its_end

pytestmark = pytest.mark.django_db
WHY = "the jar was of another van"


@kept
def field(two: Field) -> Field:
    return two


@pytest.fixture
def sample(field: Field) -> LabSample:
    limits = LabLimits(name="Iron", slug="iron", unit="mg/kg", high=500.0, source="invented")
    iron = name_property(PROGRAM, field.trial, limits)
    add_samples(PROGRAM, [Measured(field.places[0], iron, STARTS_ON, 90.0, "L-1", "s-1")])
    return LabSample.objects.get()


def test_it_is_noted_with_who_and_why(sample: LabSample) -> None:
    noor = person("Noor", Role.ENGINEER, sample.trial_vehicle.vehicle.depot)
    take_back_sample(replace(PROGRAM, person=noor), sample, reason=f" {WHY} ")
    assert (sample.taken_back_by, sample.taken_back_because) == (noor, WHY)
    told = TrialEvent.objects.get(what="sample taken back")
    assert told.person == noor
    assert WHY in told.detail


def test_a_long_reason_is_cut_to_what_its_column_holds(sample: LabSample) -> None:
    assert take_back_sample(PROGRAM, sample, reason="x" * 301).taken_back_because == "x" * 300


def test_who_runs_trials_elsewhere_may_not(sample: LabSample) -> None:
    stranger = person("Otto", Role.ENGINEER, depot("elsewhere"))
    with pytest.raises(Forbidden):
        take_back_sample(replace(PROGRAM, person=stranger), sample, reason=WHY)


def test_it_asks_for_a_reason_and_is_done_once(sample: LabSample) -> None:
    with pytest.raises(Fault, match="Say why"):
        take_back_sample(PROGRAM, sample, reason=" ")
    take_back_sample(PROGRAM, sample, reason=WHY)
    with pytest.raises(Refused, match="already"):
        take_back_sample(PROGRAM, sample, reason=WHY)


def test_what_a_verdict_rests_on_stays(field: Field, sample: LabSample) -> None:
    at_its_end(field)
    sample.refresh_from_db()
    with pytest.raises(Fault, match="was evaluated on"):
        take_back_sample(PROGRAM, sample, reason=WHY)
    assert LabSample.objects.get().taken_back_at is None
