"""A duty class set for days that are over asks first and names the days it moves."""

from datetime import date, timedelta

import pytest

from fleet import chain
from fleet.due import back_date
from fleet.due.back_date import decide
from fleet.due.models import DueDate, Service
from fleet.duty.models import DutyOverride
from fleet.faults import Question
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.today import day
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.cast import person
from tests.scene import NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


@pytest.fixture
def vehicle() -> Vehicle:
    """100 km a day since 350 days ago; every 30,000 km, in severe duty every 20,000 km."""
    scene.service(km=30_000, months=None)
    oil = scene.service(km=20_000, months=None, duty_class="severe")
    found = scene.van()
    scene.done(found, oil, TODAY - timedelta(days=350), 0)
    scene.readings(found, scene.steady(0, 1_000, 36), every_d=10)
    chain.refresh([found.pk], NOW)
    return found


def set_severe(vehicle: Vehicle, from_on: date, why: str = "") -> None:
    supervisor = person("Sura", Role.SUPERVISOR, vehicle.depot)
    decide(
        Actor(supervisor, "test", NOW),
        vehicle=vehicle,
        compartment=Service.objects.get().compartment,
        duty_class="severe",
        from_on=from_on,
        until_on=TODAY + timedelta(days=100),
        reason="seen on the road",
        override_reason=why,
    )
    chain.refresh([vehicle.pk], NOW)


def test_it_names_the_day_it_would_move_and_nothing_is_set(vehicle: Vehicle) -> None:
    # by hand: passed 50 days ago; severe since 350 days ago it would have been 150 days ago
    with pytest.raises(Question) as question:
        set_severe(vehicle, TODAY - timedelta(days=350))
    before, after = (TODAY - timedelta(days=days) for days in (50, 150))
    said = f"Gearbox oil from overdue since {day(before)} to overdue since {day(after)}"
    assert said in str(question.value)
    assert question.value.about == "from_on"
    assert not DutyOverride.objects.exists()


def test_with_a_reason_it_goes_through_and_the_reason_is_kept(vehicle: Vehicle) -> None:
    set_severe(vehicle, TODAY - timedelta(days=350), "nobody had entered it")
    assert DueDate.objects.get().p50 == TODAY - timedelta(days=150)
    assert DutyOverride.objects.get().reason == "seen on the road (nobody had entered it)"


@pytest.mark.parametrize("days", [0, 10, 40])
def test_what_moves_no_day_is_not_asked_about(vehicle: Vehicle, days: int) -> None:
    set_severe(vehicle, TODAY - timedelta(days=days))
    assert DueDate.objects.get().p50 == TODAY - timedelta(days=50)


def test_the_day_ahead_that_a_past_class_would_move_is_named(vehicle: Vehicle) -> None:
    scene.done(vehicle, Service.objects.get(), TODAY - timedelta(days=100), 25_000)
    chain.refresh([vehicle.pk], NOW)
    with pytest.raises(Question, match=r"Gearbox oil from \d+ \w{3} 20\d\d to \d+ \w{3} 20\d\d"):
        set_severe(vehicle, TODAY - timedelta(days=90))


def test_a_class_from_today_on_moves_days_to_come_and_asks_nothing() -> None:
    scene.service(km=30_000, months=None)
    oil = scene.service(km=20_000, months=None, duty_class="severe")
    found = scene.van()
    scene.done(found, oil, TODAY - timedelta(days=150), 0)
    scene.readings(found, scene.steady(0, 1_000, 16), every_d=10)
    chain.refresh([found.pk], NOW)
    set_severe(found, TODAY)
    # by hand: half of its life is used; the other half lasts 10,000 km at 100 km a day, not 15,000
    p50 = DueDate.objects.get(vehicle=found).p50
    assert p50 is not None
    assert abs((p50 - TODAY).days - 100) <= 8


def test_of_many_services_the_first_five_are_named_and_the_rest_counted() -> None:
    some = {1: (TODAY, False), 2: (None, False), 3: (TODAY, True), 4: (TODAY, False)}
    same = dict.fromkeys(some, (TODAY - timedelta(days=9), False))
    # what is passed goes first, then by number; 9 is no service any more
    moved = back_date._moved(some | {9: (TODAY, False)}, same)
    assert [one[0] for one in moved] == [3, 1, 2, 4]
    assert back_date._moved(some, some) == []
    names = [scene.service("engine"), scene.service()]
    many = [(names[at % 2].pk, TODAY, at == 0, None, False) for at in range(7)]
    words = back_date._words(date(2026, 5, 1), many)
    assert words.startswith("From 1 May 2026 on it counts for days that are over, and moves Engine")
    assert words.count("15 Jun 2026 to no date") == 5
    assert " from overdue since 15 Jun 2026 to no date" in words
    assert words.endswith("no date and 2 more. Is that meant? Begin today, or say why.")
    assert " more" not in back_date._words(date(2026, 5, 1), many[:5])
