"""A child process ends when the one that started it is gone."""

import ctypes
import os
import signal
import sys
import threading
import time

STARTED_BY = "STARTED_BY_PID"
LOOK_EVERY_S = 0.5
GRACE_S = 2.0
PR_SET_PDEATHSIG = 1  # prctl(2), linux/prctl.h


def hold(parent: int | None = None) -> bool:
    """Watch the parent from a thread: when it is gone ask this process to end, then make it.

    Without ``parent`` it is the one named by the environment; started by hand, there is none to
    watch. Tells whether there is one.
    """
    named = parent or int(os.environ.get(STARTED_BY, "0"))
    if named:
        _ask_the_system()
        threading.Thread(target=_watch, args=(named,), daemon=True).start()
    return bool(named)


def _ask_the_system() -> None:
    """Have this process asked to end the moment its parent is gone, where the system can."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(GRACE_S)
    os.kill(os.getpid(), signal.SIGKILL)
