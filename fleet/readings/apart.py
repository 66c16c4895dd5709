"""Have a function read a foreign file in a process of its own, with limits on memory and time.

That process is a child of a prepared one (``prepared.py``), which this process starts when it
first needs it, and again should it have died. Any thread may ask; after a fork each has its own.
"""

import atexit
import json
import os
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from fleet.readings.prepared import BEGUN, MOST_BYTES, Read

PREPARED = Path(__file__).with_name("prepared.py")
BEGINS_WITHIN_S, ENDS_WITHIN_S = 60.0, 5.0  # our choice: both take a fraction of a second


def read_apart(read: Read, source: Path, target: Path, time_limit_s: float) -> Any:
    """What a function makes of a file, as plain values; what is large it writes to ``target``.

    Parameters
    ----------
    read
        A function of a module; the process apart imports it by name.

    Returns
    -------
        ``{"found": ...}``, or ``{"fault": "..."}`` where the file is refused.

    Raises
    ------
    EOFError
        The process was ended: by a limit, or by what stands in the file.
    TimeoutError
        It has not come to an end in time, and was ended.
    """
    named = [read.__module__, read.__name__, str(source.absolute()), str(target.absolute())]
    ours, theirs = socket.socketpair()
    with ours:
        with theirs:
            mine.begin(json.dumps(named).encode(), theirs)
        said = _answer(ours, time_limit_s)
    if not said.endswith(b"\n"):
        raise EOFError
    return json.loads(said)


def _answer(child: socket.socket, time_limit_s: float) -> bytes:
    """All that a child says; it is gone at the end, so that it writes no more where it may."""
    child.settimeout(time_limit_s)
    try:
        with child.makefile("rb") as answer:
            return answer.read()
    except BaseException:
        child.shutdown(socket.SHUT_WR)  # this hangs up
        child.settimeout(ENDS_WITHIN_S)
        with suppress(OSError):
            while child.recv(MOST_BYTES):
                pass
        raise


class Prepared:
    """The prepared process of this one."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._questions: socket.socket

    def begin(self, question: bytes, answer: socket.socket) -> None:
        """Have a child begin, which holds the socket for its answer as long as it lives."""
        with self._turn:
            try:
                self._ask(question, answer)
            except OSError:  # it had died
                self._ask(question, answer)

    def _ask(self, question: bytes, answer: socket.socket) -> None:
        if self._process is None:
            self._start()
        try:
            socket.send_fds(self._questions, [question], [answer.fileno()])
            if self._questions.recv(len(BEGUN)) != BEGUN:
                raise ConnectionResetError("The process that reads files has ended.")
        except BaseException:  # also where the word that a child has begun may still come
            self.end()
            raise

    def _start(self) -> None:
        self._questions, theirs = socket.socketpair()
        self._questions.settimeout(BEGINS_WITHIN_S)
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 - our own program, no shell
                [sys.executable, "-I", str(PREPARED), str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                cwd="/",
                env={"OPENBLAS_NUM_THREADS": "1"},  # a process with threads cannot be forked
                pass_fds=[theirs.fileno()],
            )

    def end(self) -> None:
        """Let it go, and what it reads: it ends when nobody can ask it any more."""
        if self._process is None:
            return
        self._questions.close()
        try:
            self._process.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None

    def leave(self) -> None:
        """In a fork: it is that of another process, of which a thread may be asking it now."""
        if self._process is not None:
            self._questions.close()
            self._process.returncode = 0  # as far as this process is concerned
        self.__init__()  # type: ignore[misc]


mine = Prepared()
atexit.register(lambda: mine.end())  # waited for: nothing is left when this process is gone
os.register_at_fork(after_in_child=lambda: mine.leave())
