from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from config.celery import app
from fleet.due.models import ServiceDone
from fleet.people.models import Person
from tests.cast import Cast, cast, driven, oil_change


@pytest.fixture
def people(db: None) -> Cast:
    """The cast, its vans driven up to yesterday, with an engine oil change at 24,000 km to come."""
    found, now = cast(), timezone.now()
    service = oil_change(found)
    for van in (found.van, found.second_van, found.hill_van):
        ServiceDone.objects.create(
            vehicle=van,
            service=service,
            done_on=now.date() - timedelta(days=70),
            total_km=4_000,
            evidence=ServiceDone.Evidence.BASELINE,
            source="invented for the tests",
        )
    driven(found, now)
    return found


@pytest.fixture
def signed_in() -> Callable[[Person], Client]:
    def sign_in(person: Person) -> Client:
        client = Client()
        client.force_login(person)
        return client

    return sign_in


@pytest.fixture
def background_at_once() -> Iterator[None]:
    """Background tasks run where they are asked for."""
    app.conf.task_always_eager = True
    yield
    app.conf.task_always_eager = False
