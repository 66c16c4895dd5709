from collections.abc import Iterator

import pytest
from django.contrib.auth import authenticate
from django.core.cache import cache
from django.http import HttpRequest
from django.test import RequestFactory

from fleet.people import attempts
from fleet.people.models import Person
from tests.cast import Cast

PASSWORD = "seven old vans"


@pytest.fixture(autouse=True)
def fresh_counts() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def clerk(people: Cast) -> Person:
    people.clerk.set_password(PASSWORD)
    people.clerk.save()
    return people.clerk


def sign_in(password: str, address: str = "192.0.2.1", name: str = "cleo") -> object:
    request: HttpRequest = RequestFactory().post("/", REMOTE_ADDR=address)
    return authenticate(request, username=name, password=password)


def fail(times: int, **where: str) -> None:
    for _ in range(times):
        assert sign_in("wrong", **where) is None


def test_the_right_password_signs_in(clerk: Person) -> None:
    assert sign_in(PASSWORD) == clerk


def test_after_five_failures_even_the_right_password_waits(clerk: Person) -> None:
    fail(5)
    assert sign_in(PASSWORD) is None
    assert attempts.refused("CLEO", "192.0.2.1")


def test_four_failures_do_no_harm(clerk: Person) -> None:
    fail(4)
    assert sign_in(PASSWORD) == clerk


def test_success_starts_the_count_again(clerk: Person) -> None:
    fail(4)
    sign_in(PASSWORD)
    fail(4)
    assert sign_in(PASSWORD) == clerk


def test_a_stranger_does_not_lock_the_person_out(clerk: Person) -> None:
    fail(5, address="198.51.100.9")
    assert sign_in(PASSWORD) == clerk


def test_an_address_that_tries_many_names_waits(clerk: Person) -> None:
    for number in range(30):
        fail(1, name=f"name-{number}")
    assert sign_in(PASSWORD) is None


def test_a_name_tried_from_many_addresses_waits(clerk: Person) -> None:
    for number in range(50):
        fail(1, address=f"198.51.100.{number}")
    assert sign_in(PASSWORD) is None
