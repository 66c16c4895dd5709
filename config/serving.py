"""Page, API and nightly work from one command, for one data folder."""

import fcntl
import json
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import IO

from django.conf import settings
from django.utils import timezone

from config import lifeline, supervisor
from config.readiness import must_be_safe
from fleet.faults import Fault
from fleet.people.links import issue
from fleet.people.models import Person
from fleet.readings import leavings
from fleet.runs import ledger, owner

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8000
OWN_NAMES = {"localhost", DEFAULT_HOST, "[::1]"}  # by which only this machine calls itself
PORTS_TRIED = 50
NO_PORT = 0  # of who fills the data folder
START_WITHIN_S = 60.0
WORKER = "worker"
ORPHANS_END_WITHIN_S = 15.0  # our choice: they are made to end within 3

Announce = Callable[[str], None]


class ServedAlready(Fault):
    """Another process serves this data folder."""

    exit_code = 3


def serve(port: int, host: str = DEFAULT_HOST, announce: Announce | None = None) -> int:
    """Serve until Ctrl-C or a kill; ``announce`` is told the address once pages answer."""
    must_be_safe()
    with only_one(port) as lock, listening(host, port) as listener:
        note(lock, listener.getsockname()[1])
        leavings.sweep()
        if listener.getsockname()[1] != port:
            print(f"Port {port} is taken; this is port {listener.getsockname()[1]}.")
        stop = supervisor.stop_on_signals()
        address = f"http://{host}:{listener.getsockname()[1]}"
        threading.Thread(
            target=_announce, args=(address, announce or greet, stop), daemon=True
        ).start()
        supervisor.run([web(listener, lock), worker(lock)], stop, _failed)
    print("Stopped.")
    return 0


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """A socket on the port wanted, or on the next one that is free."""
    for candidate in range(port, min(port + PORTS_TRIED, 65536)):
        listener = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, candidate))
            listener.listen(128)
        except OSError as error:
            listener.close()
            if not _taken(error):
                raise Fault(f"Cannot listen on {host}:{candidate}: {error.strerror}.") from error
            continue
        with listener:
            yield listener
        return
    raise Fault(f"No port is free from {port} on: choose another with --port.")


def _taken(error: OSError) -> bool:
    return error.errno in {98, 48}  # EADDRINUSE on Linux and on macOS


@contextmanager
def only_one(port: int = NO_PORT) -> Iterator[IO[str]]:
    """Hold the data folder, to serve it or to fill it; the system lets go of the lock with the
    last process that has it.

    The children have it too: whoever starts after a supervisor was killed waits until they are
    gone, and so finds their port free again.

    Raises
    ------
    ServedAlready
        Another process serves or fills it, or children of one that was killed do not end.
    """
    path: Path = settings.DATA_DIR / "serve.lock"
    with path.open("a+") as file:
        deadline_s = time.monotonic() + ORPHANS_END_WITHIN_S
        while not _locked(file):
            if not _is_orphaned(path):
                raise ServedAlready(_who(path))
            if time.monotonic() > deadline_s:
                raise ServedAlready(
                    f"Processes of an earlier serve of {settings.DATA_DIR} do not end: end them "
                    "(they hold serve.lock there), then start again."
                )
            time.sleep(0.1)
        note(file, port)
        yield file


def _locked(file: IO[str]) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def stopped(folder: Path) -> Iterator[None]:
    """Keep another data folder from being served meanwhile.

    Raises
    ------
    ServedAlready
        It is served.
    """
    with (folder / "serve.lock").open("a+") as file:
        if not _locked(file):
            raise ServedAlready(
                f"{folder} is being served: end it first, so that nothing comes in there later."
            )
        yield


def note(lock: IO[str], port: int) -> None:
    """Write down who holds the data folder, and on which port."""
    lock.truncate(0)
    json.dump({"pid": os.getpid(), "port": port, "owner": owner.me()}, lock)
    lock.flush()


def port() -> int | None:
    """The port of the running ``serve``; None where the data folder is not being served."""
    path = settings.DATA_DIR / "serve.lock"
    if not path.exists():
        return None
    with path.open() as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:  # held by the one that serves
            return int(json.load(file)["port"]) or None
    return None


def public_address() -> str:
    """Where people reach the pages of a server, as far as its settings tell."""
    from config.webserver import bind

    origins = [one for one in settings.CSRF_TRUSTED_ORIGINS if "*" not in one]
    if origins:
        return str(origins[0]).rstrip("/")
    names = [one for one in settings.ALLOWED_HOSTS if one[0] not in ".*" and one not in OWN_NAMES]
    host = names[0] if names else DEFAULT_HOST
    port = bind.rpartition(":")[2]
    if settings.BEHIND_TLS or not port.isdigit():
        return f"{'https' if settings.BEHIND_TLS else 'http'}://{host}"
    return f"http://{host}:{port}"


def _is_orphaned(path: Path) -> bool:
    """Whether only children of a supervisor that is gone hold the folder."""
    with suppress(ValueError, KeyError):
        return owner.is_dead(json.loads(path.read_text())["owner"])
    return False


def _who(path: Path) -> str:
    with suppress(ValueError, KeyError):
        found = json.loads(path.read_text())
        if found["port"] == NO_PORT:
            return (
                f"{settings.DATA_DIR} is being filled by process {found['pid']}, with a demo or "
                "from a backup: wait until that is done, then start again."
            )
        return (
            f"{settings.DATA_DIR} is being served already by process {found['pid']} on port "
            f"{found['port']}: use that one, or end it first."
        )
    return f"{settings.DATA_DIR} is being served already by another process."


def web(listener: socket.socket, lock: IO[str]) -> supervisor.Child:
    bind = f"fd://{listener.fileno()}"
    quiet = ["--log-level", "warning"]
    command = ["gunicorn", "-c", "python:config.webserver", "--bind", bind, *quiet]
    return _child("pages", command, [listener.fileno(), lock.fileno()])


def worker(lock: IO[str]) -> supervisor.Child:
    """One process takes tasks, a second (its child) keeps the time of day."""
    command = ["celery", "--quiet", "-A", "config.celery:app", "worker", "-B", "-P", "solo"]
    lean = ["--without-gossip", "--without-mingle", "--loglevel", "ERROR"]
    return _child(WORKER, [*command, *lean], [lock.fileno()])


def _child(name: str, command: list[str], pass_fds: list[int]) -> supervisor.Child:
    environment = {
        **os.environ,
        "SUMPWISE_DATA": str(settings.DATA_DIR),  # the child starts in another folder
        lifeline.STARTED_BY: str(os.getpid()),
    }
    return supervisor.Child(
        name,
        # tasks are JSON from a private folder: being root adds nothing a reader could act on
        [sys.executable, "-W", "ignore:You're running the worker", "-m", *command],
        environment,
        folder=str(settings.BASE_DIR),
        pass_fds=pass_fds,
    )


def _failed(name: str, code: int, pause_s: float) -> None:
    text = f"The {name} process ended with code {code}; it starts again in {pause_s:.0f} s."
    print(text, file=sys.stderr, flush=True)
    with suppress(Exception):  # the ledger must not be what ends the supervisor
        ledger.record_failure(failure_of(name), timezone.now(), text)


def failure_of(name: str) -> str:
    """The job under which the ledger lists that a child ended."""
    return f"{name} process"


def _announce(address: str, announce: Announce, stop: threading.Event) -> None:
    deadline_s = time.monotonic() + START_WITHIN_S
    while not stop.is_set() and time.monotonic() < deadline_s:
        if _answers(address):
            announce(address)
            sys.stdout.flush()
            return
        time.sleep(0.2)


def _answers(address: str) -> bool:
    connection = HTTPConnection(address.removeprefix("http://"), timeout=5)
    try:
        connection.request("GET", "/health")
        return connection.getresponse().status == 200
    except OSError:
        return False
    finally:
        connection.close()


def greet(address: str) -> None:
    """Say where the pages are and how to come in."""
    print(f"Pages {address}/   API {address}/api/v1/   (Ctrl-C stops everything)")
    if not (settings.DATA_DIR / "demo").exists():
        if not Person.objects.exists():
            print("Nobody can sign in yet: sumpwise person add NAME --role ROLE --depot DEPOT")
        return
    print("Sign in with one of these links; each works once, within 12 hours:")
    shown: dict[str, Person] = {}
    others = []
    for person in Person.objects.filter(is_active=True).order_by("role", "id"):
        if shown.setdefault(person.role, person) != person:
            others.append(person.username)
    for person in shown.values():
        print(f"  {person.role:<11}{person.username:<14}{address}{issue(person)}")
    if others:
        print(f"A link for {' or '.join(others)}: sumpwise sign-in NAME")
