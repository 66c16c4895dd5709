"""A fixed day on which the vehicle cannot come is asked about, unless a reason is given."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest

from fleet.faults import Question
from fleet.people.actor import Actor
from fleet.vehicles.models import Closure, Vehicle
from fleet.visits import other_work
from fleet.visits import plan as plans
from fleet.visits.fixed_days import NEAR_D, calendar_of, doubt
from fleet.visits.listing import told
from fleet.visits.models import Absence, BlockedDays, OtherWork
from fleet.visits.other_work import Given
from tests import scene
from tests.visits.depot import TODAY
from tests.visits.test_other_work import ahead, enter

pytestmark = pytest.mark.django_db


def closed_on(on: date, note: str = "stocktaking") -> None:
    Closure.objects.create(depot=scene.depot(), on=on, note=note)


def blocked_on(on: date) -> None:
    BlockedDays.objects.create(depot=scene.depot(), from_on=on, until_on=on, reason="harvest")


def away_on(on: date) -> None:
    van = Vehicle.objects.get(fleet_number="V-1")
    Absence.objects.create(vehicle=van, from_on=on, until_on=on, reason="hired out")


@pytest.mark.parametrize(
    ("at", "make", "why", "near"),
    [
        (2, closed_on, "Plain is closed on 17 Jun 2026 (stocktaking)", ["16 Jun", "18 Jun"]),
        (2, blocked_on, "Plain takes no visits on 17 Jun 2026 (harvest)", ["16 Jun", "18 Jun"]),
        (2, away_on, "V-1 is away on 17 Jun 2026 (hired out)", ["16 Jun", "18 Jun"]),
        # TODAY is a Monday: the 20th a Saturday
        (5, None, "Plain is closed on 20 Jun 2026, as on every Saturday", ["19 Jun", "22 Jun"]),
        (0, closed_on, "Plain is closed on 15 Jun 2026 (stocktaking)", ["16 Jun"]),
    ],
)
def test_a_fixed_day_on_which_it_cannot_come_is_asked_about(
    chief: Actor, at: int, make: Callable[[date], None] | None, why: str, near: list[str]
) -> None:
    van = scene.van()
    if make:
        make(ahead(at))
    with pytest.raises(Question) as asked:
        enter(chief, van, fixed_on=ahead(at))
    choose = " or ".join(f"{one} 2026" for one in near)
    assert str(asked.value) == (
        f"{why}: no plan can keep that day. Is it right? Else choose {choose}."
    )
    assert (asked.value.about, asked.value.candidates) == (
        "fixed_on", tuple(f"{one} 2026" for one in near),
    )  # fmt: skip
    assert not OtherWork.objects.exists()


def test_a_reason_lets_the_day_stand_and_stays_with_it(chief: Actor) -> None:
    closed_on(ahead(2))
    van = scene.van()
    work = enter(chief, van, fixed_on=ahead(2), why_it_stands=" the inspector comes ")
    assert work.why_it_stands == "the inspector comes"
    # another title, the same day: it was answered
    given = Given("inspection", "Gas test", 60, fixed_on=ahead(2))
    assert other_work.correct(chief, work.pk, given).why_it_stands == "the inspector comes"
    with pytest.raises(Question):
        other_work.correct(chief, work.pk, replace(given, fixed_on=ahead(5)))
    freed = other_work.correct(chief, work.pk, replace(given, fixed_on=ahead(3)))
    assert (freed.fixed_on, freed.why_it_stands) == (ahead(3), "")


@pytest.mark.parametrize("make", [closed_on, away_on])
def test_who_said_why_it_stands_is_not_told_again(
    chief: Actor, make: Callable[[date], None]
) -> None:
    van = scene.van()
    make(ahead(2))
    work = enter(chief, van, fixed_on=ahead(2), why_it_stands="the inspector comes")
    (found,) = plans.plan([van.depot_id], TODAY)
    assert (found.visits.get().on, told(found)[-1:]) == (ahead(2), found.lacking[-1:])
    assert not any("V-1" in one for one in told(found))
    OtherWork.objects.filter(pk=work.pk).update(why_it_stands="")
    (found,) = plans.plan([van.depot_id], TODAY)
    assert "V-1 stands on 17 Jun 2026" in told(found)[-1]


def test_a_day_closed_since_is_asked_about_when_the_work_is_corrected(chief: Actor) -> None:
    work = enter(chief, scene.van(), fixed_on=ahead(2))
    closed_on(ahead(2))
    with pytest.raises(Question):
        other_work.correct(chief, work.pk, Given("inspection", "Gas test", 60, fixed_on=ahead(2)))


def test_no_day_near_is_told_where_there_is_none(chief: Actor) -> None:
    van = scene.van()
    BlockedDays.objects.create(
        depot=scene.depot(), from_on=TODAY, until_on=ahead(80), reason="moving house"
    )
    with pytest.raises(Question, match=r"Else choose another day\.") as asked:
        enter(chief, van, fixed_on=ahead(40))
    assert asked.value.candidates == ()


@pytest.mark.parametrize("on", [date.min, date.max])
def test_at_the_ends_of_the_calendar_days_near_are_those_there_are(on: date) -> None:
    found = calendar_of(scene.van(), on)
    beyond = found.near(on, date.min)
    assert all(abs((one - on).days) <= NEAR_D for one in beyond)
    assert doubt(found, date.max, TODAY) is None  # a Friday
