"""The program's parts with a database and a broker of their own: each may be killed and come back.

A restart of the shared PostgreSQL server would end other tests, so this one is a cluster of its
own, and so is the Redis server.
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from subprocess import DEVNULL, PIPE, STDOUT

import psycopg
from celery import Celery
from django.conf import settings

from tests.conftest import require_service
from tests.processes import wait_for
from tests.served.conftest import Stack, found, free_port, listens, once, secret

CELERY = ["celery", "-A", "config.celery:app"]
COMMANDS = {
    "web": ["gunicorn", "-c", "python:config.webserver", "--workers", "2", "--threads", "4"],
    "worker": [*CELERY, "worker", "--concurrency", "2", "--loglevel", "INFO"],
    "beat": [*CELERY, "beat", "--loglevel", "INFO"],
}
NOTHING: Mapping[str, str] = {}
READY = {"web": "Listening", "worker": "ready.", "beat": "beat: Starting"}


@dataclass
class Installation:
    """Parts by name, each a group of processes that can be killed at once."""

    folder: Path
    given: Mapping[str, str]
    database: "Cluster"
    broker: "Broker"
    address: str
    token: str = ""
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def stack(self) -> Stack:
        return Stack(self.address, self.token)

    @property
    def data(self) -> Path:
        return Path(self.given["SUMPWISE_DATA"])

    def said(self, part: str) -> str:
        """What a part has written since it was last started."""
        return (self.folder / f"{part}.log").read_text()

    def start(self, part: str) -> None:
        with (self.folder / f"{part}.log").open("wb") as log:
            self.running[part] = subprocess.Popen(
                found(COMMANDS[part]),
                env={"PATH": os.environ["PATH"], **self.given},
                cwd=settings.BASE_DIR,
                stdout=log,
                stderr=STDOUT,
                process_group=0,
            )
        process = self.running[part]
        wait_for(lambda: READY[part] in self.said(part) or process.poll() is not None)
        assert process.poll() is None, self.said(part)

    def kill(self, part: str, number: signal.Signals = signal.SIGKILL) -> None:
        process = self.running.pop(part)
        with suppress(ProcessLookupError):
            os.killpg(process.pid, number)
        process.wait(timeout=60)

    def command(self, *words: str) -> str:
        """What a command of the program prints; it must end well."""
        return once([sys.executable, "-m", "config", *words], dict(self.given))

    def tick(self) -> None:
        """Ask for what is owed, as beat does every minute."""
        with Celery("clock", broker=self.broker.url, set_as_current=False) as sender:
            sender.send_task("fleet.jobs.make_up")

    def send(self, task: str, *given: object, **named: object) -> None:
        """A message as any version of the program may have sent it."""
        with Celery("other", broker=self.broker.url, set_as_current=False) as sender:
            sender.send_task(f"fleet.jobs.{task}", given, named)

    def begin(self, *words: str) -> "subprocess.Popen[str]":
        """A command of the program, not waited for."""
        return subprocess.Popen(
            [sys.executable, "-m", "config", *words],
            env={"PATH": os.environ["PATH"], **self.given},
            cwd=settings.BASE_DIR,
            stdout=PIPE,
            stderr=STDOUT,
            text=True,
        )


@dataclass(frozen=True)
class Cluster:
    """A PostgreSQL server with its files in a folder."""

    folder: Path
    port: int
    programs: Path
    environment: Mapping[str, str]

    @property
    def url(self) -> str:
        return f"postgres://postgres@127.0.0.1:{self.port}/postgres"

    def control(self, *words: str) -> None:
        tried = subprocess.run(
            [*_as_postgres(), str(self.programs / "pg_ctl"), "-w", "-D", str(self.folder), *words],
            env=os.environ | self.environment,
            stdout=DEVNULL,  # the server keeps what it was given: a pipe would never end
            stderr=DEVNULL,
        )
        assert tried.returncode == 0, words

    def start(self) -> None:
        """The machine itself stays up: what was written is there though no disk was waited for."""
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories="
        options += " -c fsync=off"
        self.control("start", "-l", str(self.folder / "log"), "-o", options)

    def restart_at_once(self) -> None:
        """As after a power cut: no connection is ended in order."""
        self.control("stop", "-m", "immediate")
        self.start()

    @contextmanager
    def hanging(self) -> Iterator[None]:
        """Alive and still for the length of the block, as on a disk that does not answer."""
        first = int((self.folder / "postmaster.pid").read_text().split()[0])
        listed = subprocess.run(["ps", "-eo", "pid=,ppid="], capture_output=True, text=True).stdout
        pairs = [tuple(map(int, line.split())) for line in listed.splitlines()]
        stopped = [first, *(pid for pid, parent in pairs if parent == first)]
        try:
            for pid in stopped:
                os.kill(pid, signal.SIGSTOP)
            yield
        finally:
            for pid in stopped:
                os.kill(pid, signal.SIGCONT)


@dataclass
class Broker:
    """A Redis server that forgets everything when it ends."""

    folder: Path
    port: int
    process: "subprocess.Popen[bytes] | None" = None

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        command = ["redis-server", "--port", str(self.port), "--bind", "127.0.0.1", "--save", ""]
        self.process = subprocess.Popen(command, cwd=self.folder, stdout=DEVNULL)
        wait_for(lambda: listens(self.port))

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()


def _as_postgres() -> list[str]:
    """A PostgreSQL server refuses to run as root."""
    return [] if os.getuid() else ["runuser", "-u", "postgres", "--"]


@contextmanager
def new_cluster(environment: Mapping[str, str]) -> Iterator[Cluster]:
    require_service(shutil.which("pg_config") is not None or bool(_initdb()), "initdb")
    programs = _initdb()
    folder = Path(tempfile.mkdtemp(prefix="cluster-"))  # pytest's own is closed to other users
    if not os.getuid():
        shutil.chown(folder, "postgres")
    cluster = Cluster(folder / "data", free_port(), programs, environment)
    made = [*_as_postgres(), str(programs / "initdb"), "-D", str(cluster.folder)]
    subprocess.run(
        [*made, "-U", "postgres", "--no-sync", "--auth=trust"], check=True, stdout=DEVNULL
    )
    try:
        cluster.start()
        yield cluster
    finally:
        cluster.control("stop", "-m", "immediate")
        shutil.rmtree(folder)


def _initdb() -> Path:
    """Where the programs of a PostgreSQL server lie: Debian keeps them off the path."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    on_path = shutil.which("initdb")
    named = places or ([Path(on_path)] if on_path else [])
    require_service(bool(named), "initdb of PostgreSQL")
    return named[0].parent


@contextmanager
def new_installation(
    folder: Path, parts: Collection[str] = tuple(COMMANDS), environment: Mapping[str, str] = NOTHING
) -> Iterator[Installation]:
    """All or some parts up, with a fleet of some vans and a supervisor's token."""
    port = free_port()
    with ExitStack() as ends:
        database = ends.enter_context(new_cluster(environment))
        require_service(shutil.which("redis-server") is not None, "redis-server")
        broker = Broker(folder, free_port())
        broker.start()
        ends.callback(broker.kill)
        given = {
            "SUMPWISE_DATA": str(folder / "data"),
            "SUMPWISE_WORKER_NICENESS": "0",  # tests wait for what it does
            "SUMPWISE_DATABASE_URL": database.url,
            "SUMPWISE_REDIS_URL": broker.url,
            "SUMPWISE_SECRET_KEY_FILE": secret(folder / "secret-key"),
            "SUMPWISE_LISTEN": f"127.0.0.1:{port}",
            "HOME": str(folder),
            "PYTHONPATH": str(settings.BASE_DIR),
            **environment,
        }
        here = Installation(folder, given, database, broker, f"http://127.0.0.1:{port}")
        here.command("migrate")
        set_up = [sys.executable, "-m", "tests.served.set_up", "200"]
        here.token = once(set_up, given).strip()
        ends.callback(lambda: [here.kill(part) for part in list(here.running)])
        for part in parts:
            here.start(part)
        yield here


@contextmanager
def connection_to(database: Cluster) -> Iterator["psycopg.Connection[tuple[object, ...]]"]:
    with psycopg.connect(database.url, autocommit=True) as connection:
        yield connection


@contextmanager
def filled_up(folder: Path) -> Iterator[None]:
    """A folder that lies on a disk with 64 kB left for the length of the block."""
    root = [] if not os.getuid() else ["sudo", "-n"]
    folder.mkdir(exist_ok=True)
    mounted = subprocess.run([*root, "mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)])
    require_service(mounted.returncode == 0, "leave to mount a small disk")
    try:
        (folder / "ballast").write_bytes(bytes((1 << 20) - (64 << 10)))
        yield
    finally:
        subprocess.run([*root, "umount", str(folder)], check=True)
