"""Leave to do a service later, and the second person it needs beyond its tolerance."""

from datetime import date, timedelta

import pytest

from fleet import chain
from fleet.due import defer
from fleet.due.models import Deferral, DueDate, Service
from fleet.faults import Fault, Forbidden, Refused
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.cast import person
from tests.scene import NOW

Due = tuple[Vehicle, Service]


@pytest.fixture
def due(db: None) -> Due:
    """A service that is 2,300 km beyond its limit, with a tolerance of 1,000 km."""
    oil = scene.service(km=20_000, months=None, tolerance_km=1_000)
    van = scene.van()
    scene.done(van, oil, date(2025, 11, 1), 1_000)
    scene.readings(van, scene.steady(10_000, 700, 20))
    chain.refresh([van.pk], NOW)
    return van, oil


@pytest.fixture
def first(db: None) -> Person:
    return person("Sura", Role.SUPERVISOR, scene.depot())


@pytest.fixture
def second(db: None) -> Person:
    return person("Sol", Role.SUPERVISOR, scene.depot())


def deferred(due: Due, first: Person, until_km: float = 25_000, may_wait: bool = True) -> Deferral:
    van, oil = due
    return defer.defer(
        vehicle=van,
        service=oil,
        person=first,
        reason="no bay free",
        until_km=until_km,
        may_wait=may_wait,
    )


def holds(due: Due) -> bool:
    return bool(defer.in_force([due[0].pk], NOW.date()))


def test_within_the_tolerance_one_person_is_enough(due: Due, first: Person) -> None:
    row = deferred(due, first, until_km=22_000)  # 1,000 + 20,000 + 1,000 km of tolerance
    assert (row.beyond_tolerance, holds(due)) == (False, True)


def test_beyond_the_tolerance_it_holds_once_a_second_person_agrees(
    due: Due, first: Person, second: Person
) -> None:
    row = deferred(due, first, until_km=22_001)
    assert (row.beyond_tolerance, holds(due)) == (True, False)
    assert defer.agree(row, person=second).second_person == second
    assert holds(due)


@pytest.mark.parametrize(("tolerance_km", "beyond"), [(1_000, True), (3_000, False)])
def test_to_a_day_a_second_person_is_needed_where_the_last_reading_is_beyond_the_tolerance(
    due: Due, first: Person, tolerance_km: float, beyond: bool
) -> None:
    van, oil = due
    oil.limits.update(tolerance_km=tolerance_km)
    chain.refresh([van.pk], NOW)
    row = defer.defer(
        vehicle=van,
        service=oil,
        person=first,
        reason="no bay free",
        until_on=date(2026, 6, 18),
        may_wait=True,
    )
    assert row.beyond_tolerance is beyond


def test_nobody_is_their_own_second_person(due: Due, first: Person) -> None:
    row = deferred(due, first)
    with pytest.raises(Forbidden, match="another person"):
        defer.agree(row, person=first)
    assert not holds(due)


def test_whoever_may_not_defer_does_not_agree(due: Due, first: Person) -> None:
    row = deferred(due, first)
    for other in (
        person("Mika", Role.MECHANIC, scene.depot()),
        person("Otto", Role.SUPERVISOR, scene.depot("far")),
    ):
        with pytest.raises(Forbidden):
            defer.agree(row, person=other)


def test_whoever_may_not_defer_takes_none_back(due: Due, first: Person) -> None:
    row = deferred(due, first)
    for other in (
        person("Mika", Role.MECHANIC, scene.depot()),
        person("Otto", Role.SUPERVISOR, scene.depot("far")),
    ):
        with pytest.raises(Forbidden, match="may not take deferrals back"):
            defer.withdraw(row, person=other, now=NOW)
    row.refresh_from_db()
    assert row.withdrawn_at is None


def test_what_has_no_due_date_is_not_deferred(due: Due, first: Person) -> None:
    van, oil = due
    DueDate.objects.update(history_known=False)
    for vehicle in (van, scene.van("V-2")):
        with pytest.raises(Fault, match="has no due date that could be deferred"):
            deferred((vehicle, oil), first)


def test_what_waits_for_nobody_is_not_agreed_to(due: Due, first: Person, second: Person) -> None:
    row = deferred(due, first)
    defer.agree(row, person=second)
    with pytest.raises(Refused):
        defer.agree(row, person=second)
    taken_back = defer.withdraw(deferred(due, first), person=first, now=NOW)
    with pytest.raises(Refused):
        defer.agree(taken_back, person=second)


def test_without_leave_to_wait_the_second_person_is_asked_for(due: Due, first: Person) -> None:
    with pytest.raises(Fault, match="a second person must agree"):
        deferred(due, first, may_wait=False)
    assert not Deferral.objects.exists()


@pytest.mark.parametrize(("days", "ended"), [(-1, True), (0, False), (1, False)])
def test_a_deferral_whose_day_has_passed_is_told_as_ended_and_not_taken_back(
    due: Due, first: Person, days: int, ended: bool
) -> None:
    row = deferred(due, first, until_km=22_000)
    Deferral.objects.update(until_on=NOW.date() + timedelta(days=days))
    row.refresh_from_db()
    (listed,) = defer.standing([due[0].pk], NOW.date())
    assert (listed.ended, row.has_ended(NOW.date())) == (ended, ended)
    if ended:
        with pytest.raises(Refused, match="has ended by itself"):
            defer.withdraw(row, person=first, now=NOW)
    else:
        assert defer.withdraw(row, person=first, now=NOW).withdrawn_at == NOW


def test_one_to_a_distance_alone_ends_by_no_day(due: Due, first: Person) -> None:
    deferred(due, first, until_km=22_000)
    (listed,) = defer.standing([due[0].pk], NOW.date())
    assert listed.ended is False
    assert not listed.has_ended(NOW.date())
