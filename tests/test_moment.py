"""What commits between two statements of a page is on all of it or on none."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from threading import Thread
from typing import Any

import pytest
from django.db import InternalError, connection, connections
from django.db.models import F
from django.test import Client
from django.utils import timezone

from fleet.due.models import DueDate
from fleet.moment import one_moment
from fleet.people.models import Person
from fleet.vehicles.models import Depot
from tests.dashboard.arranged import arrange
from tests.dashboard.workshop import Workshop, open_workshop

pytestmark = pytest.mark.django_db(transaction=True)
PAGES = ("/overview", "/due", "/work-orders", "/todays-orders")


def elsewhere(work: Callable[[], Any]) -> None:
    """Do something on another connection, and wait until it is committed."""

    def begin() -> None:
        try:
            work()
        finally:
            connections.close_all()

    thread = Thread(target=begin)
    thread.start()
    thread.join(timeout=30)
    assert not thread.is_alive()


@contextmanager
def behind_the_first(word: str, work: Callable[[], Any]) -> Iterator[list[str]]:
    """Once a statement with a word in it has been read, something is done elsewhere."""
    read: list[str] = []

    def watch(execute: Any, sql: str, *given: Any) -> Any:
        result = execute(sql, *given)
        if word in sql:
            if not read:
                elsewhere(work)
            read.append(sql)
        return result

    with connection.execute_wrapper(watch):
        yield read


def everything_is_late() -> None:
    DueDate.objects.update(
        p50=F("p10") - timedelta(days=900),
        sort_on=F("p10") - timedelta(days=900),
        beyond_by_reading=True,
    )


@pytest.fixture
def shop() -> Workshop:
    return open_workshop(arrange(timezone.now()))


def seen(who: Person, page: str) -> str:
    client = Client()
    client.force_login(who)
    html = client.get(page).content.decode()
    return re.sub(r"\b[A-Za-z0-9]{64}\b", "", html)  # the mark of forms is masked anew each time


@pytest.mark.parametrize("page", PAGES)
def test_a_page_is_of_one_moment(page: str, shop: Workshop) -> None:
    boss = shop.people.supervisor
    seen(boss, page)  # the first visit is noted
    before = seen(boss, page)
    with behind_the_first("due_duedate", everything_is_late) as read:
        meanwhile = seen(boss, page)
    assert read
    assert meanwhile == before
    if page != "/todays-orders":
        assert seen(boss, page) != before


def test_without_a_moment_each_statement_sees_its_own() -> None:
    Depot.objects.create(slug="plain", name="Plain", zone="UTC")

    def rename() -> None:
        Depot.objects.update(name="Hill")

    assert Depot.objects.get().name == "Plain"
    elsewhere(rename)
    assert Depot.objects.get().name == "Hill"


def test_within_a_moment_all_see_the_first_and_who_writes_does_not_wait() -> None:
    Depot.objects.create(slug="plain", name="Plain", zone="UTC")
    with one_moment():
        assert Depot.objects.get().name == "Plain"
        elsewhere(lambda: Depot.objects.update(name="Hill"))
        assert Depot.objects.get().name == "Plain"
    assert Depot.objects.get().name == "Hill"
    Depot.objects.update(name="Shore")  # and writes as before
    assert Depot.objects.get().name == "Shore"


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite refuses nobody")
def test_nothing_is_written_in_a_moment() -> None:
    with pytest.raises(InternalError, match="read-only"), one_moment():
        Depot.objects.create(slug="plain", name="Plain", zone="UTC")
