import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
import yaml
from django.conf import settings

from tests.conftest import require_service
from tests.processes import running, wait_for
from tests.served.read_only import SITE


@dataclass(frozen=True)
class Stack:
    """The compose file's parts as processes on this machine."""

    address: str
    token: str
    given: Mapping[str, str] = field(default_factory=dict)  # the environment of a part


@pytest.fixture(scope="session")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stack]:
    """The compose file's own commands, on a new database and a Redis server of their own."""
    services = yaml.safe_load((settings.BASE_DIR / "docker-compose.yml").read_text())["services"]
    folder, address = tmp_path_factory.mktemp("served"), f"127.0.0.1:{free_port()}"
    with ExitStack() as parts:
        given = {
            "SUMPWISE_DATA": str(folder / "data"),
            "SUMPWISE_DATABASE_URL": parts.enter_context(new_database()),
            "SUMPWISE_DATABASE_PASSWORD_FILE": secret(folder / "database-password"),
            "SUMPWISE_REDIS_URL": parts.enter_context(new_redis(folder)),
            "SUMPWISE_SECRET_KEY_FILE": secret(folder / "secret-key"),
        }
        assert set(given) == set(services["worker"]["environment"])
        given |= read_only(folder) | {"SUMPWISE_WORKER_NICENESS": "0"}  # tests wait for its work
        once(services["migrate"]["command"], given)
        token = once([sys.executable, "-m", "tests.served.set_up"], given).strip()
        for name, ready in (("worker", "ready."), ("beat", "beat: Starting"), ("web", "Listening")):
            environment = given | {"SUMPWISE_LISTEN": address} if name == "web" else given
            parts.enter_context(running(found(services[name]["command"]), ready, environment))
        yield Stack(f"http://{address}", token, given)


def secret(path: Path) -> str:
    path.write_text(uuid4().hex)
    return str(path)


def read_only(folder: Path) -> dict[str, str]:
    """Variables by which every Python writes only where the compose file lets it."""
    site, temporary, backups = folder / "site", folder / "tmp", folder / "backups"
    site.mkdir(), temporary.mkdir(), backups.mkdir()
    written = [str(folder / "data"), str(temporary), str(backups)]
    (site / "sitecustomize.py").write_text(SITE.format(written))
    return {
        "PYTHONPATH": os.pathsep.join([str(site), str(settings.BASE_DIR)]),
        "PYTHONDONTWRITEBYTECODE": "1",
        "HOME": "/nonexistent",
        "TMPDIR": str(temporary),
    }


def once(command: list[str], given: dict[str, str]) -> str:
    answer = subprocess.run(
        found(command),
        env={"PATH": os.environ["PATH"], **given},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 0, answer.stderr
    return answer.stdout


def found(command: list[str]) -> list[str]:
    """The command out of the environment that runs the tests."""
    beside = Path(sys.executable).parent / command[0]
    return [str(beside) if beside.exists() else command[0], *command[1:]]


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def new_database() -> Iterator[str]:
    server = os.environ.get("SUMPWISE_TEST_DATABASE_URL", "postgres:///postgres")
    name = f"sumpwise_served_{uuid4().hex[:8]}"
    connection: Any = None
    with suppress(psycopg.OperationalError):
        connection = psycopg.connect(server, autocommit=True)
    require_service(connection is not None, "PostgreSQL")
    with closing(connection):
        connection.execute(f"CREATE DATABASE {name}")
        try:
            yield f"{server.rpartition('/')[0]}/{name}"
        finally:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def new_redis(folder: Path) -> Iterator[str]:
    server = shutil.which("redis-server")
    require_service(server is not None, "redis-server")
    port = free_port()
    process = subprocess.Popen(
        [str(server), "--port", str(port), "--bind", "127.0.0.1", "--save", ""],
        cwd=folder,
        stdout=subprocess.DEVNULL,
    )
    try:
        wait_for(lambda: listens(port))
        yield f"redis://127.0.0.1:{port}/0"
    finally:
        process.terminate()
        process.wait(timeout=60)


def listens(port: int) -> bool:
    with closing(socket.socket()) as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
