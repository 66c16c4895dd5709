"""Requests that really run at the same time, each on a connection of its own."""

from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
from django.db import close_old_connections, connections
from pytest_django import Settings
from rest_framework.test import APIClient

from fleet.people import links
from fleet.people.models import SignInLink
from fleet.readings.models import Reading
from fleet.runs.models import RepeatKey
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, cast

TOGETHER = 6


def together(work: Callable[[], int]) -> Counter[int]:
    """Results of the same work begun at once by several threads."""
    ready = Barrier(TOGETHER)

    def begin() -> int:
        close_old_connections()
        try:
            ready.wait(timeout=30)
            return work()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(TOGETHER) as pool:
        return Counter(future.result() for future in [pool.submit(begin) for _ in range(TOGETHER)])


@pytest.mark.django_db(transaction=True)
def test_one_key_sent_many_times_at_once_has_one_effect(call: Caller) -> None:
    people: Cast = cast()
    rows = {"rows": [{"vehicle": "V-101", "value": 5000, "taken_on": "2026-01-05"}]}

    def send() -> int:
        client: APIClient = call(people.clerk)
        headers = {"Idempotency-Key": "one"}
        answer = client.post(address("readings"), rows, format="json", headers=headers)
        if answer.status_code == 200:
            assert answer.json()["counts"] in ({"accepted": 1}, {"waiting": 1})
        return int(answer.status_code)

    statuses = together(send)
    assert set(statuses) <= {200, 409}
    assert statuses[200] >= 1
    assert (Reading.objects.count(), RepeatKey.objects.count()) == (1, 1)


@pytest.mark.django_db(transaction=True)
def test_of_many_changes_of_the_same_state_one_is_made(call: Caller) -> None:
    people: Cast = cast()
    van = address("vehicles/V-101")
    tag = call(people.supervisor).get(van)["ETag"]
    notes = iter("abcdefgh")

    def change() -> int:
        given, headers = {"note": next(notes)}, {"If-Match": tag}
        client = call(people.supervisor)
        return int(client.patch(van, given, format="json", headers=headers).status_code)

    assert together(change) == {200: 1, 412: TOGETHER - 1}
    assert people.van.history.count() == 2  # made, and changed once


@pytest.mark.django_db(transaction=True)
def test_of_many_who_use_one_link_one_gets_in(tmp_path: Path, settings: Settings) -> None:
    people: Cast = cast()
    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").touch()
    secret = links.issue(people.clerk).removeprefix(links.PATH)
    entered = together(lambda: int(links.redeem(secret, "127.0.0.1") is not None))
    assert entered == {1: 1, 0: TOGETHER - 1}
    assert SignInLink.objects.get().used_at is not None
