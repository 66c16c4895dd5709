from collections.abc import Callable, Iterator

import pytest
from django.core.cache import cache
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.people.models import Person
from tests.cast import Cast, cast, driven, oil_change

Caller = Callable[[Person], APIClient]


@pytest.fixture(autouse=True)
def fresh_rates() -> Iterator[None]:
    """No test is slowed down by the calls of another."""
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def people(db: None) -> Cast:
    return cast()


@pytest.fixture
def running(people: Cast) -> Cast:
    """The cast with a service, ten weeks of readings and the due dates that follow."""
    oil_change(people)
    driven(people, timezone.now())
    return people


@pytest.fixture
def call() -> Caller:
    """A client signed in as a person, as a page of theirs would be."""

    def signed_in(person: Person) -> APIClient:
        client = APIClient()
        client.force_authenticate(person)
        return client

    return signed_in
