from datetime import UTC, datetime, timedelta

import pytest
from pytest_django import DjangoCaptureOnCommitCallbacks
from rest_framework.test import APIClient

from fleet.runs.models import Run
from fleet.vehicles.models import Depot
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

NIGHT = address("runs/night")


@pytest.fixture
def supervisor(people: Cast, call: Caller) -> APIClient:
    return call(people.supervisor)


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    nights: list[tuple[str, str]] = []
    monkeypatch.setattr("fleet.jobs.send", lambda _, *which: nights.append(which))
    return nights


def test_a_night_is_asked_for_once_per_time_zone(
    people: Cast,
    supervisor: APIClient,
    sent: list[tuple[str, str]],
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    Depot.objects.filter(pk=people.hill.pk).update(zone="Asia/Tokyo")
    with django_capture_on_commit_callbacks(execute=True):
        answer = supervisor.post(NIGHT, {"on": "2026-03-02"}, format="json")
    assert answer.status_code == 202
    assert [(row["job"], row["part"]) for row in answer.json()["rows"]] == [
        ("night", "Europe/Berlin")
    ]
    assert sent == [("2026-03-02", "Europe/Berlin")]


def test_without_a_day_it_is_the_newest_night(
    supervisor: APIClient, sent: list[tuple[str, str]]
) -> None:
    rows = supervisor.post(NIGHT, {}, format="json").json()["rows"]
    today = depots_day()
    assert rows[0]["on"] in {str(today + timedelta(days=days)) for days in (-1, 0, 1)}


def test_a_night_that_has_not_come_is_refused(
    supervisor: APIClient, sent: list[tuple[str, str]]
) -> None:
    answer = supervisor.post(NIGHT, {"on": "2199-01-01"}, format="json")
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "not_yet")
    assert not Run.objects.exists()
    assert sent == []


def test_the_list_says_newest_first_what_ran_and_what_was_lost(supervisor: APIClient) -> None:
    past = datetime(2026, 3, 2, tzinfo=UTC)
    Run.objects.create(job="night", on="2026-03-01", state="done", counts={"due dates": 3})
    Run.objects.create(job="night", on="2026-03-02", state="running", lease_until=past)
    rows = supervisor.get(address("runs")).json()["rows"]
    assert [(row["on"], row["state"]) for row in rows] == [
        ("2026-03-02", "lost"), ("2026-03-01", "done"),
    ]  # fmt: skip
    assert supervisor.get(address("runs"), {"job": "upload"}).json()["rows"] == []


def test_pages_of_runs_keep_their_order(supervisor: APIClient) -> None:
    for part in "abc":
        Run.objects.create(job="night", on="2026-03-01", part=part)
    first = supervisor.get(address("runs"), {"limit": 2}).json()
    second = supervisor.get(first["next"]).json()
    assert [row["part"] for row in first["rows"] + second["rows"]] == ["c", "b", "a"]
