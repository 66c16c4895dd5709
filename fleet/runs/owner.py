"""Which process does a piece of work, and whether it is still there."""

import os
import socket
from contextlib import suppress
from hashlib import sha256
from pathlib import Path


def me() -> str:
    """This process, for people (machine and number) and for ``is_dead`` (the rest)."""
    pid = os.getpid()
    return f"{socket.gethostname()[:40]} {pid} {_machine()} {_began(pid)}"


def in_words(owner: str) -> str:
    """Machine and number, for people."""
    return " ".join(owner.split()[:2])


def is_dead(owner: str) -> bool:
    """Whether a process of this very machine is gone; of another nobody here can tell."""
    words = owner.split()
    if len(words) != 4 or words[2] != _machine() or not words[1].isdecimal():
        return False
    return _began(int(words[1])) != words[3]


def _machine() -> str:
    """The same for all processes that see each other's numbers, and no others."""
    seen = socket.gethostname()
    with suppress(OSError):  # a restart begins new numbers; a container has numbers of its own
        seen += Path("/proc/sys/kernel/random/boot_id").read_text()
        seen += os.readlink("/proc/self/ns/pid")
    return sha256(seen.encode()).hexdigest()[:8]


def _began(pid: int) -> str:
    """When a process began, so that another of its number is not taken for it; "-": it is gone."""
    with suppress(OSError, IndexError):
        # the 22nd field; the second, in brackets, may hold blanks (proc_pid_stat(5))
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return "-" if fields[0] in "ZX" else fields[19]
    if Path("/proc/self/stat").exists():
        return "-"
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return "-"
    except PermissionError:
        return "there"
    return "there"
