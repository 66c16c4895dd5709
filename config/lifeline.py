"""A child process ends when the one that started it is gone."""

import os
import signal
import threading
import time

STARTED_BY = "STARTED_BY_PID"
LOOK_EVERY_S = 1.0
GRACE_S = 6.0


def hold(parent: int | None = None) -> None:
    """Watch the parent from a thread: when it is gone ask this process to end, then make it.

    Without ``parent`` it is the one named by the environment; started by hand, nothing happens.
    """
    named = parent or int(os.environ.get(STARTED_BY, "0"))
    if named:
        threading.Thread(target=_watch, args=(named,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(GRACE_S)
    os.kill(os.getpid(), signal.SIGKILL)
