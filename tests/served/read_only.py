"""A file system that can be written only in some places, as far as Python itself opens files.

A folder with :data:`SITE` on the path of a process makes every Python there hold to it, as a
container whose file system is marked read-only would.
"""

import errno
import os
import sys
from collections.abc import Sequence

SITE = "from tests.served.read_only import hold\nhold({!r})\n"
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGES = {"os.mkdir", "os.remove", "os.rmdir", "os.truncate", "os.chmod", "sqlite3.connect"}
OF_TWO = {"os.rename", "os.link", "os.symlink"}
ALWAYS = ("/dev/", "/proc/")


def hold(places: Sequence[str]) -> None:
    """Refuse whatever would write outside the places [folders]."""
    allowed = tuple(os.path.realpath(place) for place in places)

    def look(event: str, given: tuple[object, ...]) -> None:
        for path in _written(event, given):
            if isinstance(path, (str, bytes, os.PathLike)):
                at = os.path.realpath(os.fsdecode(path))
                if not (at.startswith(ALWAYS) or _below(at, allowed)):
                    raise OSError(errno.EROFS, "Read-only file system", at)

    sys.addaudithook(look)


def _written(event: str, given: tuple[object, ...]) -> tuple[object, ...]:
    if event == "open":
        return given[:1] if isinstance(given[2], int) and given[2] & WRITING else ()
    return given[:1] if event in CHANGES else given[1:2] if event in OF_TWO else ()


def _below(path: str, places: Sequence[str]) -> bool:
    return any(path == place or path.startswith(f"{place}{os.sep}") for place in places)
