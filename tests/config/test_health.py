import pytest
from django.conf import settings
from django.db import OperationalError
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from config import health
from config.database import bring_up_to_date
from fleet.faults import Fault

pytestmark = pytest.mark.django_db
QUEUE = "Redis" if settings.REDIS_URL else "queue"


def test_alive_asks_nothing_of_the_database(
    django_assert_num_queries: DjangoAssertNumQueries,
) -> None:
    with django_assert_num_queries(0):
        answer = Client().get("/health")
    assert (answer.status_code, answer.content) == (200, b"ok")


def test_ready_names_each_part() -> None:
    answer = Client().get("/health/ready")
    assert answer.status_code == 200
    assert answer.json() == {"ready": True, "parts": {"database": "ok", QUEUE: "ok"}}


@pytest.mark.parametrize("part", ["database", QUEUE])
def test_a_part_that_is_away_is_named_and_no_address_told(
    monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    def away() -> str:
        raise OperationalError("could not connect to 10.0.0.7 as sumpwise")

    monkeypatch.setitem(health.PARTS, part, away)
    answer = Client().get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["ready"] is False
    assert answer.json()["parts"][part] == "away"
    assert "10.0.0.7" not in answer.content.decode()


def test_a_database_newer_than_the_program_is_refused_and_named() -> None:
    MigrationRecorder.Migration.objects.create(app="due", name="9999_from_tomorrow")
    with pytest.raises(Fault, match="newer than the program .due.9999_from_tomorrow."):
        bring_up_to_date()
    answer = Client().get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["parts"]["database"] == "newer than the program"


def test_a_database_older_than_the_program_is_named() -> None:
    MigrationRecorder.Migration.objects.filter(app="runs").delete()
    answer = Client().get("/health/ready")
    assert answer.json()["parts"]["database"] == "older than the program"
