"""Due dates that moved far are noted, with what moved them. Expected causes: what each test
changes, and nothing else."""

from datetime import date, timedelta

import numpy as np
import pytest
from django.db.models import F

from fleet import chain
from fleet.due import moves, stamps
from fleet.due.models import DueDate, DueMove, DueStamp, Limit, Service
from fleet.due.rules import gather_basis
from fleet.duty.models import DutyOverride
from fleet.people.models import Person
from fleet.readings.models import Reading
from fleet.usage.models import SeasonIndex, UsageState
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db
TODAY = NOW.date()


@pytest.fixture
def oil() -> Service:
    return scene.service(km=20_000, months=48)


@pytest.fixture
def van(oil: Service) -> Vehicle:
    """100 km a day; 9,000 km left, so due in about 90 days."""
    vehicle = scene.van()
    scene.done(vehicle, oil, date(2026, 1, 1), 10_000)
    scene.readings(vehicle, scene.steady(21_000 - 700 * 23, 700, 24))
    chain.refresh([vehicle.pk], NOW)
    return vehicle


def due_on(van: Vehicle) -> date:
    return DueDate.objects.get(vehicle=van).sort_on


def one_move(van: Vehicle) -> DueMove:
    chain.refresh([van.pk], NOW)
    return DueMove.objects.get()


def test_a_first_due_date_has_not_moved(van: Vehicle) -> None:
    assert not DueMove.objects.exists()


def test_a_vehicle_that_runs_more_moves_its_date_by_usage(van: Vehicle) -> None:
    before = due_on(van)
    Reading.objects.filter(vehicle=van).delete()
    scene.readings(van, scene.steady(21_000, 1_400, 6), until=NOW + timedelta(days=35))
    chain.refresh([van.pk], NOW + timedelta(days=35))
    move = DueMove.objects.get()
    assert (move.from_on, move.to_on, move.cause) == (before, due_on(van), "usage")
    assert (before - move.to_on).days > moves.FAR_D


@pytest.mark.parametrize(
    ("changed", "cause"),
    [
        ({"usage_km", "read_s"}, "usage"),
        ({"usage_km", "read_s", "season"}, "usage"),
        ({"usage_km", "season"}, "season"),
        ({"usage_h"}, "judged"),
        ({"usage_km", "read_s", "rules"}, "limit"),
        ({"particulars"}, "particulars"),
    ],
)
def test_usage_moves_a_date_without_a_newer_reading_too(
    van: Vehicle, oil: Service, changed: set[str], cause: str
) -> None:
    nothing, day_d = np.array([False]), np.array([20_000])
    ids = np.array([van.pk]), np.array([oil.pk])
    one = moves.Moves(*ids, day_d, day_d + 20, nothing, nothing, nothing, moves._stamps(ids[0]))
    DueStamp.objects.update(**{name: F(name) + 1 for name in changed})
    moves.note(one)
    assert DueMove.objects.get().cause == cause


def test_a_newer_reading_and_other_seasons_stand_among_the_stamps(van: Vehicle) -> None:
    before = DueStamp.objects.get()
    season = SeasonIndex.objects.create(
        type_pk=0, depot_pk=0, month_end_on=TODAY, in_force=False, factors=[1] * 12, vehicles=1
    )
    scene.readings(van, [21_700], until=NOW + timedelta(days=7))
    chain.refresh([van.pk], NOW + timedelta(days=7))
    UsageState.objects.update(season=season)
    stamps.write_stamps(np.array([van.pk]), TODAY, gather_basis())
    after = DueStamp.objects.get()
    assert after.read_s - before.read_s == 7 * 86_400
    assert (before.season, after.season) == (0, season.pk)


def test_another_duty_class_moves_it(van: Vehicle, oil: Service) -> None:
    scene.service(km=15_000, months=48, duty_class="severe")
    chain.refresh([van.pk], NOW)
    DueMove.objects.all().delete()
    who = Person.objects.create_user("rowan")
    DutyOverride.objects.create(
        vehicle=van, compartment=oil.compartment, duty_class="severe", from_on=date(2026, 1, 1),
        until_on=date(2027, 12, 31),
        reason="hills", person=who,
    )  # fmt: skip
    assert one_move(van).cause == "duty"


def test_another_limit_moves_it(van: Vehicle) -> None:
    Limit.objects.update(limit_km=15_000)
    assert one_move(van).cause == "limit"


def test_a_service_done_is_no_news_but_a_corrected_record_is(van: Vehicle, oil: Service) -> None:
    newest = scene.done(van, oil, TODAY - timedelta(days=1), 21_000)
    chain.refresh([van.pk], NOW)
    assert not DueMove.objects.exists()
    corrected = scene.done(van, oil, date(2026, 2, 1), 12_000)
    corrected.supersedes = newest
    corrected.save()
    move = one_move(van)
    assert move.cause == "record"
    assert move.to_on < move.from_on


def test_a_small_move_is_not_noted(van: Vehicle) -> None:
    Limit.objects.update(limit_km=19_500)  # 500 km sooner, at 100 km a day: about 5 days
    before = due_on(van)
    chain.refresh([van.pk], NOW)
    assert 0 < (before - due_on(van)).days <= moves.FAR_D
    assert not DueMove.objects.exists()


def test_looking_again_notes_nothing_twice(van: Vehicle) -> None:
    Limit.objects.update(limit_km=15_000)
    one_move(van)
    one_move(van)


def test_moves_are_forgotten_when_nobody_is_told_any_more(van: Vehicle) -> None:
    Limit.objects.update(limit_km=15_000)
    at = one_move(van).noticed_at
    moves.forget(at + timedelta(days=moves.KEPT_D))
    assert DueMove.objects.exists()
    moves.forget(at + timedelta(days=moves.KEPT_D, seconds=1))
    assert not DueMove.objects.exists()
