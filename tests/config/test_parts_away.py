"""The program as its user meets it while a part is away, cut off or damaged."""

import json
import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection, HTTPResponse
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import psycopg
import pytest
from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.core.cache import caches
from django.db import connection
from django.test import override_settings
from redis.exceptions import ConnectionError as RedisAway
from rest_framework.test import APIClient

from fleet.api.limits import Limit
from fleet.people import tokens
from fleet.people.models import Person
from tests.cast import Cast, cast
from tests.config.test_serve import free_port
from tests.processes import environment, wait_for

SERVER = "gunicorn.error"
NOBODY = "redis://127.0.0.1:9/0"  # the discard port of RFC 863: nothing listens there


class Pages:
    """Pages and API as a process of their own."""

    def __init__(self, folder: Path, level: str = "warning", **given: str) -> None:
        self.port, self.errors = free_port(), folder / "errors"
        command = ["-m", "gunicorn", "-c", "python:config.webserver", "--log-level", level]
        with self.errors.open("w") as errors:
            self.process = subprocess.Popen(
                [sys.executable, *command, "--bind", f"127.0.0.1:{self.port}"],
                env={**environment(), **given},
                cwd=settings.BASE_DIR,
                stderr=errors,
            )
        wait_for(lambda: self.process.poll() is not None or self._up())

    def _up(self) -> bool:
        try:
            return self.ask("GET", "/health").status == 200
        except OSError:
            return False

    def ask(self, method: str, path: str, body: str = "", **headers: str) -> Any:
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=30)) as http:
            http.request(
                method, path, body or None, {k.replace("_", "-"): v for k, v in headers.items()}
            )
            answer: HTTPResponse = http.getresponse()
            answer.text = answer.read().decode()  # type: ignore[attr-defined]
            return answer

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.errors.read_text().splitlines()]

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=20)


@pytest.fixture
def people(transactional_db: None) -> Cast:
    return cast()


@pytest.fixture
def without_redis(people: Cast, tmp_path: Path) -> Iterator[Pages]:
    pages = Pages(tmp_path, SUMPWISE_REDIS_URL=NOBODY)
    yield pages
    pages.end()


def test_what_the_web_server_itself_has_to_say_comes_in_the_same_lines(
    people: Cast, tmp_path: Path
) -> None:
    pages = Pages(tmp_path, "info")
    with closing(socket.create_connection(("127.0.0.1", pages.port))) as wire:
        wire.sendall(b"NO\x01SENSE / HTTP/1.1\r\n\r\n")
        assert wire.recv(100).startswith(b"HTTP/1.1 400")
    pages.end()
    said = [(line["level"], line["text"]) for line in pages.lines() if line["from"] == SERVER]
    assert ("info", f"Listening at: http://127.0.0.1:{pages.port} ({pages.process.pid})") in said
    assert [text for level, text in said if level == "warning" and "Invalid request" in text]


def test_without_redis_the_program_goes_on_and_says_what_is_away(
    people: Cast, without_redis: Pages
) -> None:
    pages = without_redis
    assert pages.ask("GET", "/health").status == 200
    ready = pages.ask("GET", "/ready")
    assert ready.status == 200  # pages can be had
    assert json.loads(ready.text)["parts"] == {"database": "ok", "Redis": "away"}
    scopes = ["vehicles:read", "runs:write"]
    _, secret = tokens.issue(person=people.supervisor, label="x", scopes=scopes, days=1)
    bearer = {"Authorization": f"Bearer {secret}"}
    for _ in range(3):
        assert pages.ask("GET", "/api/v1/vehicles", **bearer).status == 200
    body = {"Content_Type": "application/json", "Idempotency_Key": "night-without-redis"}
    assert pages.ask("POST", "/api/v1/runs/night", "{}", **bearer, **body).status == 202
    assert signs_in(pages, "ines", "wrong") == 200
    assert signs_in(pages, "ines", "seven old vans") == 302
    texts = [line["text"] for line in pages.lines() if "Redis is away" in line["text"]]
    assert len(texts) == 1
    assert secret not in pages.errors.read_text()


def signs_in(pages: Pages, name: str, password: str) -> int:
    if not Person.objects.filter(username=name).exists():
        # the tests' own hasher is none of the program's
        stored = Argon2PasswordHasher().encode("seven old vans", "a-salt-of-tests")
        Person.objects.create(username=name, password=stored)
    form = pages.ask("GET", "/sign-in")
    mark = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', form.text)
    cookie = SimpleCookie(form.getheader("Set-Cookie"))["csrftoken"].value
    assert mark
    given = {"csrfmiddlewaretoken": mark[1], "username": name, "password": password}
    kind = "application/x-www-form-urlencoded"
    return int(
        pages.ask(
            "POST", "/sign-in", urlencode(given), Content_Type=kind, Cookie=f"csrftoken={cookie}"
        ).status
    )


@pytest.mark.skipif(not settings.SERVED, reason="a file is not cut off")
def test_a_cut_connection_to_the_database_is_opened_anew(people: Cast, tmp_path: Path) -> None:
    pages = Pages(tmp_path)
    try:
        _, secret = tokens.issue(person=people.viewer, label="x", scopes=["vehicles:read"], days=1)
        bearer = {"Authorization": f"Bearer {secret}"}
        assert pages.ask("GET", "/api/v1/vehicles", **bearer).status == 200
        server = settings.DATABASE_URL.rpartition("/")[0]
        with closing(psycopg.connect(f"{server}/postgres", autocommit=True)) as owner:
            owner.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = %s AND pid <> %s",
                [connection.settings_dict["NAME"], connection.connection.info.backend_pid],
            )
        for _ in range(10):  # whichever thread answers
            assert pages.ask("GET", "/api/v1/vehicles", **bearer).status == 200
    finally:
        pages.end()


def test_while_redis_is_away_requests_are_counted_here_and_one_line_says_so(
    people: Cast, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def away(*_: object, **__: object) -> None:
        raise RedisAway("Error 111 connecting")

    monkeypatch.setattr(Limit, "away_until_s", 0.0)
    monkeypatch.setattr(Limit, "THROTTLE_RATES", {"user": "3/min"})
    caches["of this process"].clear()
    client = APIClient()
    client.force_login(people.viewer)
    with override_settings(
        CACHES={
            "default": {
                "BACKEND": "django.core.cache.backends.redis.RedisCache",
                "LOCATION": NOBODY,
            },
            "of this process": settings.OF_PROCESS,
        }
    ):
        statuses = [client.get("/api/v1/vehicles").status_code for _ in range(5)]
    assert statuses == [200, 200, 200, 429, 429]
    assert len([one for one in caplog.messages if "Redis is away" in one]) == 1


def test_a_damaged_database_is_one_sentence_and_exit_code_1(tmp_path: Path) -> None:
    (tmp_path / "sumpwise.sqlite3").write_bytes(b"SQLite format 3\0" + b"\xff" * 4096)
    given = {"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(tmp_path)}
    for command in (["due"], ["person", "list"], ["migrate"]):
        answer = subprocess.run(
            [sys.executable, "-m", "config", *command], env=given, cwd=settings.BASE_DIR,
            capture_output=True, text=True,
        )  # fmt: skip
        assert answer.returncode == 1
        assert "The database is damaged" in answer.stderr
        assert "put a backup in its place" in answer.stderr
        assert answer.stderr.count("\n") == 1
