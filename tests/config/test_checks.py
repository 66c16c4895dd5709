"""Settings that do not go together; which ones: common practice, no source."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings
from django.test import override_settings

from config import checks, doctor, readiness
from config.environment import Environment
from fleet.faults import Fault

KEY = "pX2vW9-qLr0sT7uYz1AbCdEfGhIjKlMn"  # 32 letters and more than ten that differ
GOOD = {
    "SECRET_KEY": KEY,
    "SERVED": True,
    "REDIS_URL": "redis://r:6379/0",
    "DEBUG": False,
    "ALLOWED_HOSTS": ["localhost", "fleet.example"],
    "DATABASE_PASSWORD": "secret",
    "BEHIND_TLS": True,
    "PROXIES": 1,
    "SECURE_HSTS_SECONDS": 86_400,
}


@pytest.fixture
def variables(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """The environment as the checks see it: a key, and whatever a test adds."""
    given = {"SUMPWISE_SECRET_KEY": KEY}
    environment = Environment(given)
    environment.known |= {"SUMPWISE_HOSTS", "SUMPWISE_REDIS_URL", "SUMPWISE_SECRET_KEY"}
    monkeypatch.setattr(checks, "ENV", environment)
    return given


def found(**changed: object) -> list[str | None]:
    with override_settings(**{**GOOD, **changed}):
        return [one.id for one in checks.combinations()]


@pytest.mark.usefixtures("variables")
def test_a_server_set_up_whole_and_a_single_machine_are_well() -> None:
    assert found() == []
    alone = {"SERVED": False, "REDIS_URL": "", "DATABASE_PASSWORD": "", "BEHIND_TLS": False}
    assert found(**alone, PROXIES=0, SECURE_HSTS_SECONDS=0, DEBUG=True, ALLOWED_HOSTS=["*"]) == []


@pytest.mark.usefixtures("variables")
@pytest.mark.parametrize(
    ("changed", "id"),
    [
        ({"DEBUG": True}, "sumpwise.E001"),
        ({"SECRET_KEY": KEY[:-1]}, "sumpwise.E002"),
        ({"SECRET_KEY": "changeme!" * 8}, "sumpwise.E002"),  # 8 letters that differ
        ({"SECRET_KEY": f"django-insecure-{KEY}"}, "sumpwise.E002"),
        ({"ALLOWED_HOSTS": ["localhost", "*"]}, "sumpwise.E003"),
        ({"REDIS_URL": "127.0.0.1:6379"}, "sumpwise.E011"),
        ({"REDIS_URL": "127.0.0.1:6379/0"}, "sumpwise.E011"),
        ({"REDIS_URL": "redis:/r:6379/0"}, "sumpwise.E011"),
        ({"REDIS_URL": "amqp://r:6379/0"}, "sumpwise.E011"),
        ({"REDIS_URL": "redis://r:0/0"}, "sumpwise.E011"),
        ({"REDIS_URL": "redis://r:first/0"}, "sumpwise.E011"),
        ({"REDIS_URL": "redis://r:6379/first"}, "sumpwise.E011"),
        ({"REDIS_URL": ""}, "sumpwise.W004"),
        ({"PROXIES": 0}, "sumpwise.W008"),
        ({"BEHIND_TLS": False}, "sumpwise.W009"),
    ],
)
def test_each_wrong_combination_is_found(changed: dict[str, object], id: str) -> None:
    assert found(**changed) == [id]


@pytest.mark.usefixtures("variables")
def test_a_key_of_ten_letters_that_differ_is_the_least_that_will_do() -> None:
    assert found(SECRET_KEY="abcdefghij" * 4) == []
    assert found(SECRET_KEY="abcdefghi" * 4) == ["sumpwise.E002"]


@pytest.mark.usefixtures("variables")
@pytest.mark.parametrize("address", ["redis://r", "redis://:word@r:6379/0", "rediss://[::1]:6380/"])
def test_an_address_of_redis_is_taken_however_much_it_leaves_out(address: str) -> None:
    assert found(REDIS_URL=address) == []


@pytest.mark.usefixtures("variables")
def test_what_is_meant_for_a_server_does_nothing_without_one() -> None:
    assert found(SERVED=False) == ["sumpwise.W005", "sumpwise.W006"]


def test_a_server_whose_key_lies_in_its_data_folder_is_found(variables: dict[str, str]) -> None:
    del variables["SUMPWISE_SECRET_KEY"]
    assert found() == ["sumpwise.W007"]
    assert found(SERVED=False, REDIS_URL="", DATABASE_PASSWORD="") == []


def test_a_misspelt_variable_is_found_and_the_right_one_named(variables: dict[str, str]) -> None:
    variables |= {"SUMPWISE_REDIS_ULR": "redis://r", "SUMPWISE_XYZ": "1"}
    with override_settings(**GOOD):
        said = [readiness.in_words(one) for one in checks.combinations()]
    assert said == [
        "SUMPWISE_REDIS_ULR is set and means nothing. Is SUMPWISE_REDIS_URL meant?",
        "SUMPWISE_XYZ is set and means nothing. .env.example lists all that there are.",
    ]


@pytest.mark.usefixtures("variables")
def test_an_error_keeps_the_program_from_starting_and_a_warning_is_logged(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with override_settings(**{**GOOD, "REDIS_URL": ""}):
        readiness.must_be_safe()
    assert "PostgreSQL without Redis" in caplog.text
    with (
        override_settings(**{**GOOD, "REDIS_URL": "", "DEBUG": True}),
        pytest.raises(Fault, match="Leave SUMPWISE_DEBUG empty"),
    ):
        readiness.must_be_safe()


@pytest.mark.usefixtures("variables")
def test_the_doctor_calls_errors_wrong_and_has_others_looked_at() -> None:
    with override_settings(**{**GOOD, "REDIS_URL": ""}):
        state, text = doctor.environment()
    assert (state, "SUMPWISE_REDIS_URL" in text) == ("look", True)
    with override_settings(**{**GOOD, "DEBUG": True}):
        assert doctor.environment()[0] == "wrong"
    with override_settings(**GOOD):
        assert doctor.environment() == ("well", "go together")


def ended(data: Path, *command: str, **given: str) -> str:
    """What a part says that does not start; it ends by itself."""
    answer = subprocess.run(
        [sys.executable, "-m", *command],
        env={"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(data), **given},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert answer.returncode == 1, answer.stderr
    return answer.stderr


WEB = ("gunicorn", "-c", "python:config.webserver", "--bind", "127.0.0.1:0")
WORKER = ("celery", "-A", "config.celery:app", "worker", "-P", "solo")
BEAT = ("celery", "-A", "config.celery:app", "beat")


def test_pages_do_not_start_on_a_database_that_is_still_to_be_migrated(tmp_path: Path) -> None:
    assert "run sumpwise migrate once" in ended(tmp_path, *WEB)


def test_the_worker_does_not_start_with_a_key_that_can_be_guessed(tmp_path: Path) -> None:
    assert "The secret key can be guessed" in ended(tmp_path, *WORKER, SUMPWISE_SECRET_KEY="secret")


def test_the_clock_does_not_start_without_its_database(tmp_path: Path) -> None:
    nowhere = {"SUMPWISE_DATABASE_URL": "postgres://nobody@127.0.0.1:1/nothing"}
    assert "The database does not answer" in ended(tmp_path, *BEAT, **nowhere)


@pytest.mark.any_database  # each ends before it asks for one
@pytest.mark.parametrize(
    ("part", "name", "given", "said"),
    [
        (WEB, "SUMPWISE_DATABASE_URL", "nonsense", "SUMPWISE_DATABASE_URL must be a postgres://"),
        (WEB, "SUMPWISE_REDIS_URL", "127.0.0.1:6379", "SUMPWISE_REDIS_URL is no address of Redis"),
        (WORKER, "SUMPWISE_SECRET_KEY_FILE", "/nope", "SUMPWISE_SECRET_KEY_FILE: /nope cannot be"),
        (WORKER, "SUMPWISE_REDIS_URL", "127.0.0.1:6379", "SUMPWISE_REDIS_URL is no address of R"),
        (BEAT, "SUMPWISE_DATA", "/proc/x", "The data folder /proc/x cannot be made"),
        (BEAT, "SUMPWISE_REDIS_URL", "127.0.0.1:6379", "SUMPWISE_REDIS_URL is no address of Redi"),
    ],
)
def test_each_part_ends_on_a_setting_that_it_cannot_use_with_one_sentence(
    part: tuple[str, ...], name: str, given: str, said: str, tmp_path: Path
) -> None:
    told = ended(tmp_path, *part, **{name: given})
    assert told.splitlines()[-1].startswith(f"sumpwise: {said}")
    assert "Traceback" not in told


@pytest.mark.any_database
def test_where_the_port_is_taken_the_variable_is_named(tmp_path: Path) -> None:
    data = {"SUMPWISE_DATA": str(tmp_path), "PATH": os.environ["PATH"]}
    migrate = [sys.executable, "-m", "config", "migrate"]
    subprocess.run(migrate, env=data, cwd=settings.BASE_DIR, check=True, capture_output=True)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        wanted = f"127.0.0.1:{taken.getsockname()[1]}"
        said = ended(tmp_path, *WEB[:3], SUMPWISE_LISTEN=wanted).splitlines()[-1]
    assert "set SUMPWISE_LISTEN to an address" in json.loads(said)["text"]


def test_deployment_checks_are_content_behind_a_proxy(tmp_path: Path) -> None:
    given = {"SUMPWISE_BEHIND_TLS": "1", "SUMPWISE_HSTS_DAYS": "30", "SUMPWISE_PROXIES": "1"}
    answer = subprocess.run(
        [sys.executable, "-m", "django", "check", "--deploy", "--fail-level", "WARNING"],
        env={
            **{"PATH": os.environ["PATH"], "DJANGO_SETTINGS_MODULE": "config.settings"},
            **{"SUMPWISE_DATA": str(tmp_path), "PYTHONPATH": str(settings.BASE_DIR), **given},
        },
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 0, answer.stderr
