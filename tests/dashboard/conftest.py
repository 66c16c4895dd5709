from collections.abc import Callable

import pytest
from django.test import Client
from django.utils import timezone

from fleet.people.models import Person
from fleet.visits.models import Plan
from tests.cast import Cast
from tests.dashboard.arranged import arrange
from tests.dashboard.days import planned_days
from tests.dashboard.workshop import Workshop, open_workshop
from tests.kept import kept


@kept
def people() -> Cast:
    return arrange(timezone.now())


@kept
def shop(people: Cast) -> Workshop:
    return open_workshop(people)


@kept
def days(people: Cast) -> Plan:
    """For modules whose people have no work yet."""
    return planned_days(people)


@pytest.fixture
def chief(people: Cast, days: Plan, signed_in: Callable[[Person], Client]) -> Client:
    return signed_in(people.supervisor)


@pytest.fixture
def signed_in() -> Callable[[Person], Client]:
    def sign_in(person: Person) -> Client:
        client = Client()
        client.force_login(person)
        return client

    return sign_in
