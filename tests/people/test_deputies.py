from datetime import date, timedelta

import pytest

from fleet.people import manage
from fleet.people.manage import PersonFault
from fleet.people.models import Person
from fleet.people.roles import Right, all_who_may, may
from tests.cast import Cast, depots_day

# written by hand: what a deputy decides in a supervisor's place
DECIDES = {
    *("settle readings", "set duty", "release work orders", "sign off work"),
    *("defer services", "approve substitutes", "clear do not use"),
}


def today() -> date:
    return depots_day()


def stand_in(people: Cast, days: tuple[int, int], who: Person | None = None) -> Person:
    first, last = (today() + timedelta(days=day) for day in days)
    deputy = who or people.mechanic
    manage.name_deputy(people.supervisor, deputy, first, last)
    return Person.objects.get(pk=deputy.pk)


def test_a_deputy_decides_but_manages_nobody(people: Cast) -> None:
    before = {right.value for right in Right if may(people.mechanic, right, people.plain)}
    mika = stand_in(people, (0, 3))
    after = {right.value for right in Right if may(mika, right, people.plain)}
    assert after - before == DECIDES


@pytest.mark.parametrize(("days", "counts"), [((0, 0), True), ((-5, -1), False), ((1, 5), False)])
def test_a_deputy_counts_on_the_days_named(
    people: Cast, days: tuple[int, int], counts: bool
) -> None:
    assert may(stand_in(people, days), Right.RELEASE) is counts


def test_a_deputy_acts_only_at_depots_that_both_have(people: Cast) -> None:
    people.mechanic.depots.add(people.hill)
    mika = stand_in(people, (0, 3))
    assert may(mika, Right.RELEASE, people.plain)
    assert not may(mika, Right.RELEASE, people.hill)


def test_who_may_is_told_of_many_depots_at_once_with_deputies(people: Cast) -> None:
    people.mechanic.depots.add(people.hill)
    stand_in(people, (0, 3))
    found = all_who_may(Right.CLEAR_DO_NOT_USE, [people.plain.pk, people.hill.pk])
    assert set(found[people.plain.pk]) == {people.supervisor, people.mechanic}
    assert found[people.hill.pk] == (people.outsider,)  # where nobody absent is of the depot


def test_a_right_follows_the_depots_of_a_person(people: Cast) -> None:
    assert not may(people.supervisor, Right.RELEASE, people.hill)
    people.supervisor.depots.add(people.hill)
    assert may(people.supervisor, Right.RELEASE, people.hill)
    people.supervisor.depots.remove(people.plain)
    assert not may(people.supervisor, Right.RELEASE, people.plain)


def test_a_deputy_of_somebody_who_left_decides_nothing(people: Cast) -> None:
    mika = stand_in(people, (0, 3))
    Person.objects.filter(pk=people.supervisor.pk).update(is_active=False)
    assert not may(mika, Right.RELEASE, people.plain)


def test_naming_and_ending_a_deputy_is_kept_in_the_history(people: Cast) -> None:
    before = people.supervisor.history.count()
    stand_in(people, (0, 3))
    manage.name_deputy(people.supervisor, None, None, None)
    assert people.supervisor.history.count() == before + 2
    assert not may(Person.objects.get(pk=people.mechanic.pk), Right.RELEASE)


@pytest.mark.parametrize(("first", "last"), [(None, 3), (0, None), (3, 0)])
def test_days_that_make_no_span_are_refused(
    people: Cast, first: int | None, last: int | None
) -> None:
    days = [None if day is None else today() + timedelta(days=day) for day in (first, last)]
    with pytest.raises(PersonFault, match="first and a last day"):
        manage.name_deputy(people.supervisor, people.mechanic, *days)


def test_a_deputy_is_another_person_of_a_shared_depot(people: Cast) -> None:
    with pytest.raises(PersonFault, match="another person"):
        stand_in(people, (0, 3), people.supervisor)
    with pytest.raises(PersonFault, match="shares no depot"):
        stand_in(people, (0, 3), people.outsider)
