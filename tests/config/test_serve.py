"""The serve command as its user meets it: processes, ports, signals."""

import fcntl
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from argparse import ArgumentTypeError
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from config import supervisor
from config.commands.serve import port_number
from config.serving import ServedAlready, only_one, port
from fleet.runs import owner

pytestmark = pytest.mark.any_database  # what is served here is a data folder, always embedded

Start = Callable[..., "subprocess.Popen[str]"]
TRIED = "tried-12-0123abcd-345-x.sqlite3"  # as a trial leaves it that was killed long ago
PATIENCE_S = 120.0  # on a busy machine; what is right after it is right
EMBEDDED = {
    **{"PATH": os.environ["PATH"], "HOME": "/nonexistent"},
    "SUMPWISE_WORKER_NICENESS": "0",  # tests wait for what it does
}


def launch(folder: Path, *arguments: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "config", *arguments],
        env={**EMBEDDED, "SUMPWISE_DATA": str(folder)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def end(process: "subprocess.Popen[str]") -> tuple[str, str]:
    with suppress(ProcessLookupError):
        process.terminate()
    return process.communicate(timeout=PATIENCE_S)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """A serve of the test's own, on a port that was free a moment ago."""
    started = []

    def serve(port: int) -> "subprocess.Popen[str]":
        started.append(launch(tmp_path, "serve", "--port", str(port)))
        until(lambda: answer(served_port(tmp_path)) == 200)
        return started[0]

    yield serve
    for process in started:
        if process.returncode is None:
            end(process)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, int, int]]:
    """A serve that tests may look at but not end: data folder, process, port."""
    folder, port = tmp_path_factory.mktemp("served"), free_port()
    (folder / TRIED).touch()
    os.utime(folder / TRIED, (0, 0))
    process = launch(folder, "serve", "--port", str(port))
    until(lambda: answer(port) == 200)
    yield folder, process.pid, port
    end(process)


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], Any], seconds: float = 180) -> Any:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if found := true():
            return found
        time.sleep(0.1)
    raise AssertionError("waited in vain")


def answer(port: int, path: str = "/health") -> int:
    with closing(HTTPConnection("127.0.0.1", port, timeout=5)) as connection, suppress(OSError):
        connection.request("GET", path)
        return connection.getresponse().status
    return 0


def served_port(folder: Path) -> int:
    with suppress(OSError, ValueError):
        return int(json.loads((folder / "serve.lock").read_text())["port"])
    return 0


def processes_of(parent: int) -> set[int]:
    listed = subprocess.run(["ps", "-wweo", "pid=,ppid="], capture_output=True, text=True).stdout
    pairs = [tuple(map(int, line.split())) for line in listed.splitlines()]
    children = {pid for pid, of in pairs if of == parent}
    return children.union(*(processes_of(child) for child in children)) if children else set()


def alive(pids: set[int]) -> set[int]:
    listed = subprocess.run(["ps", "-wweo", "pid=,stat="], capture_output=True, text=True).stdout
    running = {int(line.split()[0]) for line in listed.splitlines() if "Z" not in line.split()[1]}
    return pids & running


def test_serve_answers_and_static_files_need_no_further_command(
    served: tuple[Path, int, int],
) -> None:
    assert answer(served[2], "/static/admin/css/base.css") == 200


def test_a_second_serve_names_process_and_port_and_exits_3(served: tuple[Path, int, int]) -> None:
    folder, pid, port = served
    second = launch(folder, "serve", "--port", str(port))
    _, errors = second.communicate(timeout=PATIENCE_S)
    assert second.returncode == 3
    assert f"process {pid} on port {port}" in errors


def test_who_fills_the_folder_is_named_and_serves_nothing(tmp_path: Path, settings: Any) -> None:
    settings.DATA_DIR = tmp_path
    with (
        only_one(),
        pytest.raises(ServedAlready, match=f"filled by process {os.getpid()}, .* wait until"),
        only_one(8000),
    ):
        pytest.fail("two at once")
    assert port() is None
    with only_one():
        assert port() is None
    with only_one(8123):
        assert port() == 8123


def test_other_commands_work_beside_a_running_serve(served: tuple[Path, int, int]) -> None:
    beside = launch(served[0], "migrate")
    assert beside.communicate(timeout=PATIENCE_S)[0] == "Nothing to do.\n"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_everything(start: Start, number: signal.Signals) -> None:
    serving = start(free_port())
    family = whole_family(serving.pid)
    serving.send_signal(number)
    output, errors = serving.communicate(timeout=PATIENCE_S)
    assert (serving.returncode, alive(family)) == (0, set())
    assert output.endswith("Stopped.\n")
    assert "Traceback" not in errors


def test_what_hangs_is_killed_before_ten_seconds_are_over() -> None:
    assert supervisor.STOP_WITHIN_S + supervisor.LOOK_EVERY_S < 10


def whole_family(pid: int) -> set[int]:
    """Pages: master and one process; worker: one for tasks, one for the time of day."""
    found: set[int] = until(lambda: len(found := processes_of(pid)) == 4 and found)
    return found


def test_children_end_when_their_parent_was_killed(start: Start) -> None:
    serving = start(free_port())
    family = whole_family(serving.pid)
    serving.kill()
    assert until(lambda: not alive(family))


def test_after_a_kill_the_next_start_has_the_port_again(start: Start, tmp_path: Path) -> None:
    port = free_port()
    serving = start(port)
    whole_family(serving.pid)
    serving.kill()
    again = launch(tmp_path, "serve", "--port", str(port))
    try:
        until(lambda: answer(port) == 200 and served_by(tmp_path) == again.pid)
        assert served_port(tmp_path) == port
    finally:
        output, _ = end(again)
        serving.communicate(timeout=PATIENCE_S)
    assert "taken" not in output


def served_by(folder: Path) -> int:
    return int(json.loads((folder / "serve.lock").read_text())["pid"])


def test_an_orphan_that_does_not_end_is_said_and_the_code_is_3(
    tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a child that hangs leaves it: the lock held, by nobody who is there any more."""
    monkeypatch.setattr("config.serving.ORPHANS_END_WITHIN_S", 0.3)
    settings.DATA_DIR = tmp_path
    mine = owner.me().rpartition(" ")[0] + " 1"  # the number is another process's now
    with (tmp_path / "serve.lock").open("w") as file:
        json.dump({"pid": 1, "port": 8000, "owner": mine}, file)
        file.flush()
        fcntl.flock(file, fcntl.LOCK_EX)
        begun_s = time.monotonic()
        with pytest.raises(ServedAlready, match="do not end: end them") as told, only_one(8000):
            pytest.fail("begun beside an orphan")
    assert told.value.exit_code == 3
    assert time.monotonic() - begun_s > 0.3


def test_a_start_takes_away_what_killed_trials_left(served: tuple[Path, int, int]) -> None:
    assert not (served[0] / TRIED).exists()


def test_a_taken_port_gives_the_next_free_one_and_says_so(start: Start, tmp_path: Path) -> None:
    with closing(socket.socket()) as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = int(other.getsockname()[1])
        output, _ = end(start(taken))
        port = served_port(tmp_path)
    assert port > taken
    assert f"Port {taken} is taken; this is port {port}." in output


def test_a_killed_worker_starts_again_and_the_ledger_shows_it(start: Start, tmp_path: Path) -> None:
    serving = start(free_port())
    worker = until(lambda: worker_of(serving.pid))
    os.kill(worker, signal.SIGKILL)
    assert until(lambda: (again := worker_of(serving.pid)) and again != worker)
    assert "The worker process ended with code -9" in end(serving)[1]
    assert "worker process" in runs_in(tmp_path)


def worker_of(parent: int) -> int:
    listed = subprocess.run(["ps", "-wweo", "pid=,ppid=,args="], capture_output=True, text=True)
    for line in listed.stdout.splitlines():
        pid, of, command = line.split(maxsplit=2)
        if int(of) == parent and "celery" in command:
            return int(pid)
    return 0


def runs_in(folder: Path) -> list[str]:
    with closing(sqlite3.connect(folder / "sumpwise.sqlite3")) as database:
        return [job for (job,) in database.execute("SELECT job FROM runs_run")]


@pytest.mark.parametrize("port", ["0", "65536", "eighty", "80.5"])
def test_nonsense_ports_are_refused_as_usage(port: str) -> None:
    with pytest.raises(ArgumentTypeError, match="is not a port"):
        port_number(port)
