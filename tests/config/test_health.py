import threading
import time
from collections.abc import Iterator

import pytest
from django.conf import settings
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from config import health, patience
from config.database import bring_up_to_date
from fleet.faults import Fault
from tests.processes import wait_for

pytestmark = pytest.mark.django_db
QUEUE = "Redis" if settings.REDIS_URL else "queue"
SECOND_S = 1.0  # more than that over the time allowed is no answer of a thread that gave up


def test_alive_asks_nothing_of_the_database(
    django_assert_num_queries: DjangoAssertNumQueries,
) -> None:
    with django_assert_num_queries(0):
        answer = Client().get("/health")
    assert (answer.status_code, answer.content) == (200, b"ok")


def test_ready_names_each_part() -> None:
    answer = Client().get("/ready")
    assert answer.status_code == 200
    assert answer.json() == {"ready": True, "parts": {"database": "ok", QUEUE: "ok"}}


@pytest.mark.parametrize("path", sorted(health.ANSWERS))
@pytest.mark.parametrize("host", ["10.0.0.7:8000", "elsewhere.example", "_"])
def test_whoever_watches_need_not_know_a_name_of_ours(path: str, host: str) -> None:
    assert Client().get("/", headers={"host": host}).status_code == 400
    answer = Client().get(path, headers={"host": host})
    assert answer.status_code == 200
    assert host not in answer.content.decode()
    assert "no-store" in answer["Cache-Control"]  # RFC 9111 section 5.2.2.5
    assert not answer.cookies
    assert answer["Request-Number"]
    assert Client().post(path, headers={"host": host}).status_code == 405


def test_the_web_server_knows_who_watches() -> None:
    assert set(health.ANSWERS) == {"/health", "/ready"}
    for path in health.ANSWERS:
        assert patience.WATCHING.match(f"GET {path} HTTP/1.1".encode())
        assert patience.WATCHING.match(f"HEAD {path}?x HTTP/1.1".encode())
        assert not patience.WATCHING.match(f"GET {path}er HTTP/1.1".encode())


@pytest.mark.parametrize(("part", "status"), [("database", 503), (QUEUE, 200)])
def test_a_part_that_is_away_is_named_and_no_address_told(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, part: str, status: int
) -> None:
    def away() -> str:
        raise OperationalError("could not connect to 10.0.0.7 as sumpwise")

    monkeypatch.setitem(health.PARTS, part, health.Part(away))
    answer = Client().get("/ready")
    assert health.PARTS[part].found.done()  # it was not waited for
    assert "A part is not ready." in caplog.messages
    assert answer.status_code == status
    assert answer.json() == {
        "ready": status == 200,
        "parts": {"database": "ok", QUEUE: "ok"} | {part: "away"},
    }


@pytest.fixture
def resumes() -> Iterator[threading.Event]:
    """Lets go of what hangs, at the end in any case."""
    event = threading.Event()
    yield event
    event.set()


def test_a_part_that_hangs_keeps_whoever_asks_for_a_second_and_one_thread(
    monkeypatch: pytest.MonkeyPatch, resumes: threading.Event
) -> None:
    begun = []

    def hangs() -> str:
        begun.append(threading.current_thread())
        resumes.wait()
        return "ok"

    monkeypatch.setitem(health.PARTS, "database", health.Part(hangs))
    began_s = time.monotonic()
    answers = [Client().get("/ready") for _ in range(4)]
    assert health.WITHIN_S <= time.monotonic() - began_s < health.WITHIN_S + SECOND_S
    assert {answer.status_code for answer in answers} == {503}
    assert answers[0].json()["parts"]["database"] == "away"
    assert len(begun) == 1
    assert begun[0].daemon  # a process that is to end does not wait for it
    resumes.set()
    begun[0].join()
    assert Client().get("/ready").status_code == 200
    assert len(begun) == 2


def test_the_look_at_the_database_leaves_no_connection_and_that_of_pages_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = []

    def fitness() -> str:
        from django.db import connection as own

        with own.cursor() as cursor:
            cursor.execute("SELECT 1")
        seen.append((own.connection, own.settings_dict["OPTIONS"].get("connect_timeout")))
        return "ok"

    monkeypatch.setattr(health, "fitness", fitness)
    assert Client().get("/ready").json()["parts"]["database"] == "ok"
    ((raw, timeout_s),) = seen
    assert raw is not connection.connection
    assert timeout_s == (2 if settings.SERVED else None)
    assert "connect_timeout" not in connection.settings_dict["OPTIONS"]
    if settings.SERVED:
        wait_for(lambda: raw.closed, 10)


@pytest.mark.django_db(transaction=True)
def test_a_database_newer_than_the_program_is_refused_and_named() -> None:
    made = MigrationRecorder.Migration.objects.create(app="due", name="9999_from_tomorrow")
    try:
        with pytest.raises(Fault, match="newer than the program .due.9999_from_tomorrow."):
            bring_up_to_date()
        answer = Client().get("/ready")
    finally:
        made.delete()
    assert answer.status_code == 503
    assert answer.json()["parts"]["database"] == "newer"


@pytest.mark.django_db(transaction=True)
def test_a_database_older_than_the_program_is_named() -> None:
    lacking = list(MigrationRecorder.Migration.objects.filter(app="runs"))
    MigrationRecorder.Migration.objects.filter(app="runs").delete()
    try:
        answer = Client().get("/ready")
    finally:
        MigrationRecorder.Migration.objects.bulk_create(lacking)
    assert answer.status_code == 503
    assert answer.json()["parts"]["database"] == "older"
