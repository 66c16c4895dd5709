"""What a test has done in the process that reads a file apart: each is imported there by name."""

import gc
import os
import resource
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from fleet.faults import Fault


def who(source: Path, target: Path) -> list[int]:
    return [os.getpid(), os.getppid()]


def look_for_circles(source: Path, target: Path) -> bool:
    return gc.isenabled()


def die(source: Path, target: Path) -> None:
    os.abort()


def die_halfway(source: Path, target: Path) -> None:
    """With an answer begun, whichever descriptor it goes by."""
    for number in range(3, 20):
        with suppress(OSError):
            os.write(number, b'{"found": ')
    os.abort()


def stay(source: Path, target: Path) -> None:
    time.sleep(600)


def tell_and_stay(source: Path, target: Path) -> None:
    (target / "begun").write_text(f"{os.getpid()} {os.getppid()}")
    (target / "begun").rename(target / "who")
    stay(source, target)


def look_around(source: Path, target: Path) -> dict[str, Any]:
    return {
        "paths": [str(source), str(target)],
        "environment": dict(os.environ),
        "modules": sorted(sys.modules),
        "arguments": sys.argv[1:],
        "open": len(os.listdir("/dev/fd")) - 1,  # that of the folder itself
        "limits": [
            resource.getrlimit(which)
            for which in (resource.RLIMIT_AS, resource.RLIMIT_CPU, resource.RLIMIT_FSIZE)
        ],
    }


def take_all_memory(source: Path, target: Path) -> None:
    bytearray(4 << 30)


def take_all_time(source: Path, target: Path) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (1, 1))  # sooner than it would be
    while True:
        pass


def refuse(source: Path, target: Path) -> None:
    raise Fault("Row 7 has no date: write one.")


def stumble(source: Path, target: Path) -> None:
    print("much ado", file=sys.stderr)
    raise KeyError("x" * 200)


def interrupt(source: Path, target: Path) -> None:
    raise KeyboardInterrupt


def write_much(source: Path, target: Path) -> list[str]:
    return ["x" * 1000] * 1000
