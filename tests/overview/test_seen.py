"""Since when a person is told what happened. Expected instants: by hand, from the rule that a
visit ends when nobody has looked for an hour."""

from datetime import UTC, datetime, timedelta

import pytest

from fleet.overview.seen import look
from fleet.people.models import Person, Role

pytestmark = pytest.mark.django_db
MONDAY = datetime(2026, 11, 23, 8, 0, tzinfo=UTC)


@pytest.fixture
def person() -> Person:
    return Person.objects.create_user("rowan", role=Role.SUPERVISOR)


def test_the_first_visit_has_none_before_it(person: Person) -> None:
    assert look(person, MONDAY) is None
    assert look(person, MONDAY + timedelta(minutes=40)) is None


def test_the_next_day_is_told_since_the_visit_before(person: Person) -> None:
    look(person, MONDAY)
    assert look(person, MONDAY + timedelta(days=1)) == MONDAY


def test_loading_the_page_again_within_the_hour_loses_nothing(person: Person) -> None:
    look(person, MONDAY)
    tuesday = MONDAY + timedelta(days=1)
    told = [look(person, tuesday + timedelta(minutes=at)) for at in (0, 2, 30, 75, 130)]
    assert told == [MONDAY] * 5  # never an hour without a look: 30, 45 and 55 minutes between


def test_a_visit_ends_when_nobody_has_looked_for_an_hour(person: Person) -> None:
    look(person, MONDAY)
    later = MONDAY + timedelta(minutes=45)
    look(person, later)
    assert look(person, later + timedelta(minutes=61)) == later


def test_each_person_has_visits_of_their_own(person: Person) -> None:
    other = Person.objects.create_user("silas", role=Role.VIEWER)
    look(person, MONDAY)
    assert look(other, MONDAY + timedelta(days=1)) is None
