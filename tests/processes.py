"""The program as processes on the tests' own database and broker."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from django.conf import settings
from django.db import connection


def environment() -> dict[str, str]:
    """What a process needs to see what the test sees."""
    given = {"PATH": os.environ["PATH"], "HOME": "/nonexistent", "PYTHONUNBUFFERED": "1"}
    given["SUMPWISE_DATA"] = str(settings.DATA_DIR)
    given["SUMPWISE_WORKER_NICENESS"] = "0"  # tests wait for what it does
    if settings.SERVED:
        base, _, name = settings.DATABASE_URL.rpartition("/")
        _, mark, options = name.partition("?")
        given["SUMPWISE_DATABASE_URL"] = f"{base}/{connection.settings_dict['NAME']}{mark}{options}"
    if settings.REDIS_URL:
        given["SUMPWISE_REDIS_URL"] = settings.REDIS_URL
    return given


@contextmanager
def running(
    command: Sequence[str], ready: str, extra: dict[str, str] | None = None
) -> Iterator["subprocess.Popen[str]"]:
    """A process that has said it is ready; ended with the block, and its output in errors."""
    process = subprocess.Popen(
        command,
        env={**environment(), **(extra or {})},
        cwd=settings.BASE_DIR,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    lines: list[str] = []
    reader = threading.Thread(target=_drain, args=(process, lines))
    reader.start()
    try:
        wait_for(lambda: any(ready in line for line in lines) or process.poll() is not None)
        assert process.poll() is None, "".join(lines)
        yield process
    except BaseException:
        print("".join(lines))
        raise
    finally:
        _end(process)
        reader.join()


def worker(*how: str, **given: str) -> Any:
    """A worker like that of the program, without the time of day; in one process by itself."""
    command = ["-m", "celery", "-A", "config.celery:app", "worker", "-l", "INFO"]
    return running([sys.executable, *command, *(how or ("-P", "solo"))], "ready.", given)


def wait_for(true: Callable[[], Any], seconds: float = 180) -> Any:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if found := true():
            return found
        time.sleep(0.1)
    raise AssertionError(f"waited {seconds} s in vain")


def _drain(process: "subprocess.Popen[str]", lines: list[str]) -> None:
    assert process.stdout is not None
    with process.stdout:
        lines.extend(iter(process.stdout.readline, ""))


def _end(process: "subprocess.Popen[str]") -> None:
    with suppress(ProcessLookupError):
        process.terminate()
    try:
        process.wait(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
