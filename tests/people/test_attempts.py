from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth import authenticate
from django.contrib.auth.backends import ModelBackend
from django.db import connection
from django.http import HttpRequest
from django.test import Client, RequestFactory, override_settings

from fleet.people import attempts
from fleet.people.models import Failures, Person
from tests.cast import Cast

PASSWORD = "seven old vans"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HERE, ELSEWHERE = "192.0.2.1", "198.51.100.9"
Clock = time_machine.Traveller


@pytest.fixture
def clerk(people: Cast) -> Person:
    people.clerk.set_password(PASSWORD)
    people.clerk.save()
    return people.clerk


@pytest.fixture
def clock() -> object:
    with time_machine.travel(NOON, tick=False) as clock:
        yield clock


def request(address: str = HERE, known: str = "", **headers: str) -> HttpRequest:
    """From an address; ``known``: in a browser in which this name signed in before."""
    found = RequestFactory().post("/", REMOTE_ADDR=address, headers=headers)
    if known:
        found.COOKIES.update([attempts.mark_for(known)])
    return found


def sign_in(password: str, address: str = HERE, name: str = "cleo", known: str = "") -> object:
    return authenticate(request(address, known), username=name, password=password)


def fail(times: int, **where: str) -> None:
    for _ in range(times):
        assert sign_in("wrong", **where) is None


def test_the_right_password_signs_in_and_leaves_no_count(clerk: Person) -> None:
    assert sign_in(PASSWORD) == clerk
    assert not Failures.objects.filter(failures__gt=0).exists()


def test_after_five_failures_even_the_right_password_waits_half_a_minute(
    clerk: Person, clock: Clock
) -> None:
    fail(5)
    assert sign_in(PASSWORD) is None
    assert attempts.waits_s("CLEO", request()) == 31
    clock.shift(30)
    assert sign_in(PASSWORD) == clerk


def test_the_wait_doubles_to_a_quarter_of_an_hour_and_no_further() -> None:
    limit = attempts.LIMITS["name and address"]
    waits_s = [limit.wait(failures).total_seconds() for failures in (4, 5, 6, 7, 8, 9, 10, 99)]
    assert waits_s == [0, 30, 60, 120, 240, 480, 900, 900]  # by hand


def test_a_try_that_is_refused_unseen_prolongs_nothing_and_counts_nowhere(
    clerk: Person, clock: Clock
) -> None:
    fail(5)
    before = list(Failures.objects.order_by("pk").values())
    fail(60)
    assert list(Failures.objects.order_by("pk").values()) == before


def test_four_failures_do_no_harm(clerk: Person) -> None:
    fail(4)
    assert sign_in(PASSWORD) == clerk


def test_success_starts_the_count_again(clerk: Person) -> None:
    fail(4)
    sign_in(PASSWORD)
    fail(4)
    assert sign_in(PASSWORD) == clerk


def test_failures_are_forgotten_after_a_day(clerk: Person, clock: Clock) -> None:
    fail(4)
    clock.shift(timedelta(days=1, seconds=1))
    fail(4)
    assert sign_in(PASSWORD) == clerk
    assert Failures.objects.count() <= 3


def test_a_stranger_elsewhere_does_not_keep_the_person_out(clerk: Person) -> None:
    fail(5, address=ELSEWHERE)
    assert sign_in(PASSWORD) == clerk


def test_thirty_failures_keep_nobody_out_of_a_browser_they_know(
    clerk: Person, clock: Clock
) -> None:
    for number in range(30):
        fail(1, name=f"name-{number}")
    assert sign_in(PASSWORD, known="cleo") == clerk
    assert attempts.waits_s("cleo", request()) <= 60  # and a new one waits for seconds
    clock.shift(60)
    assert sign_in(PASSWORD) == clerk


def test_a_stranger_at_the_next_desk_keeps_the_person_out_of_no_browser_they_know(
    clerk: Person,
) -> None:
    fail(40)
    assert sign_in(PASSWORD) is None
    assert sign_in(PASSWORD, known="cleo") == clerk


def test_a_known_browser_guesses_no_further_than_another(clerk: Person) -> None:
    known = request(known="cleo")
    for _ in range(5):
        assert authenticate(known, username="cleo", password="wrong") is None
    assert authenticate(known, username="cleo", password=PASSWORD) is None


@pytest.mark.parametrize("mark", ["", "x", "e30:1:2"])
def test_a_mark_that_is_forged_or_anothers_knows_nothing(clerk: Person, mark: str) -> None:
    fail(5)
    cookie = attempts.mark_for("cleo")[0]
    for value in (mark, attempts.mark_for("mika")[1]):
        there = request()
        there.COOKIES[cookie] = value
        assert authenticate(there, username="cleo", password=PASSWORD) is None


def tries_seen(monkeypatch: pytest.MonkeyPatch, clock: Clock, address: Callable[[int], str]) -> int:
    """How many guesses are compared in six hours of one every ten seconds."""
    seen = []
    monkeypatch.setattr(ModelBackend, "authenticate", lambda *a, **k: seen.append(1))
    for number in range(6 * 360):
        authenticate(request(address(number)), username="cleo", password="wrong")
        clock.shift(10)
    return len(seen)


def test_who_guesses_on_from_one_address_gets_few_tries(
    clerk: Person, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    # by hand: 5, then waits of 30 to 480 s in 930 s, then one each 900 s of the other 20,600 s
    assert tries_seen(monkeypatch, clock, lambda _: HERE) <= 5 + 5 + 24
    clock.shift(900)
    monkeypatch.undo()
    assert sign_in(PASSWORD) == clerk


def test_who_guesses_on_from_many_addresses_gets_one_try_a_minute(
    clerk: Person, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    # by hand: 50, then waits of 2 to 32 s (6 tries), then one a minute of six hours
    assert tries_seen(monkeypatch, clock, lambda n: f"198.51.{n // 250}.{n % 250}") <= 50 + 6 + 360
    monkeypatch.undo()
    assert sign_in(PASSWORD, known="cleo") == clerk
    clock.shift(60)
    assert sign_in(PASSWORD) == clerk


def test_the_addresses_of_one_customer_count_as_one(clerk: Person) -> None:
    # RFC 4291 section 2.5.4: the lower 64 bits are the customer's own
    for number in range(5):
        fail(1, address=f"2001:db8:1:2::{number}")
    assert sign_in(PASSWORD, address="2001:db8:1:2::ff") is None
    assert sign_in(PASSWORD, address="2001:db8:1:3::ff") == clerk


def test_what_a_proxy_says_is_believed_only_as_far_as_is_set() -> None:
    said = {"x-forwarded-for": "203.0.113.5, 198.51.100.9"}
    assert attempts.address_of(request(HERE, **said)) == HERE
    with override_settings(PROXIES=1):
        assert attempts.address_of(request(HERE, **said)) == "198.51.100.9"
        assert attempts.address_of(request(HERE)) == HERE
    with override_settings(PROXIES=2):
        assert attempts.address_of(request(HERE, **said)) == "203.0.113.5"


def test_the_page_marks_the_browser_and_says_how_long_to_wait(clerk: Person) -> None:
    wrong, right = {"username": "cleo", "password": "x"}, {"username": "cleo", "password": PASSWORD}
    known = Client()
    assert known.post("/sign-in", right).status_code == 302
    known.post("/sign-out")
    stranger = Client()
    for _ in range(5):
        stranger.post("/sign-in", wrong)
    refused = stranger.post("/sign-in", right)
    assert (refused.status_code, 0 < int(refused["Retry-After"]) <= 31) == (429, True)
    assert "Too many tries. Wait " in refused.content.decode()
    assert known.post("/sign-in", right).status_code == 302
    (cookie,) = (one for name, one in known.cookies.items() if name.startswith(attempts.MARK))
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Strict", "/sign-in")
    assert "cleo" not in cookie.key + cookie.value


def test_the_administration_has_no_way_in_of_its_own(clerk: Person) -> None:
    answer = Client().get("/admin/login/?next=/admin/")
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in?next=/admin/")


@pytest.mark.django_db(transaction=True)
def test_guesses_sent_at_once_do_not_slip_through_together(
    people: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    monkeypatch.setattr(ModelBackend, "authenticate", lambda *a, **k: seen.append(1))

    def guess(_: int) -> None:
        try:
            sign_in("wrong")
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(guess, range(24)))
    assert len(seen) <= 5
