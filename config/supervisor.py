"""Keeps child processes alive, and takes all of them along when it ends."""

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

STOP_WITHIN_S = 8.0  # the whole program is to be gone within 10
LOOK_EVERY_S = 0.2
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
STEADY_AFTER_S = 60.0  # a child that lived so long starts again without a longer pause

Failed = Callable[[str, int, float], None]  # name, exit code, seconds until the next start


@dataclass
class Child:
    """A command that is to run always, in a process group of its own."""

    name: str
    command: Sequence[str]
    environment: Mapping[str, str]
    folder: str
    pass_fds: Sequence[int] = ()
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    pause_s: float = FIRST_PAUSE_S
    start_at_s: float = field(default=0.0)

    def start(self) -> None:
        self.started_s = time.monotonic()
        self.process = subprocess.Popen(  # noqa: S603 (the program's own command)
            self.command,
            env=self.environment,
            cwd=self.folder,
            pass_fds=self.pass_fds,
            process_group=0,
        )

    def look(self, failed: Failed) -> None:
        """Start what is not running once its pause is over; note what has just ended."""
        if self.process is None:
            if time.monotonic() >= self.start_at_s:
                self.start()
            return
        code = self.process.poll()
        if code is None:
            return
        self.signal(signal.SIGKILL)  # whatever it left behind in its group
        self.process = None
        steady = time.monotonic() - self.started_s > STEADY_AFTER_S
        pause_s = FIRST_PAUSE_S if steady else self.pause_s
        self.start_at_s = time.monotonic() + pause_s
        self.pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
        failed(self.name, code, pause_s)

    def signal(self, number: signal.Signals) -> None:
        if self.process is not None:
            with suppress(ProcessLookupError):
                os.killpg(self.process.pid, number)

    @property
    def gone(self) -> bool:
        return self.process is None or self.process.poll() is not None


def run(children: Sequence[Child], stop: threading.Event, failed: Failed) -> None:
    """Keep the children running until ``stop`` is set, then end them all."""
    try:
        while not stop.is_set():
            for child in children:
                child.look(failed)
            stop.wait(LOOK_EVERY_S)
    finally:
        end(children)


def end(children: Sequence[Child]) -> None:
    """Ask every child to end; after a few seconds make it."""
    for child in children:
        child.signal(signal.SIGTERM)
    deadline_s = time.monotonic() + STOP_WITHIN_S
    while time.monotonic() < deadline_s and not all(child.gone for child in children):
        time.sleep(LOOK_EVERY_S)
    for child in children:
        child.signal(signal.SIGKILL)


def stop_on_signals() -> threading.Event:
    """An event that Ctrl-C, an ordinary kill or a closed terminal sets."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    return stop
