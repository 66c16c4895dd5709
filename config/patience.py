"""Web server threads are lent to requests that have arrived, not to clients that dawdle."""

import re
import socket
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from enum import Enum
from typing import Any

from gunicorn.workers.gthread import TConn, ThreadWorker

LOOK_AGAIN_S = 0.1
WITHIN_S = 20.0  # our choice: a head or a short body is a few thousand bytes, on the worst line too
MOST_BYTES = 1 << 16  # of a head; whether a longer one is taken is for gunicorn to say
SHORT_BYTES = 1 << 14  # of a request that is waited for whole: any socket holds as many
BUSY_S = 0.01  # between two looks for a thread that may show pages; our choice
READERS = 0.5  # share of the threads that may read long bodies; our choice
WAITING = object()
LENGTH = re.compile(rb"\r\ncontent-length:[ \t]*(\d{1,18})[ \t]*\r\n")
WATCHING = re.compile(rb"(GET|HEAD) /(health|ready)[ ?]")
UNTOLD = re.compile(rb"\r\n(transfer-encoding|expect):")  # comes in pieces, or only when asked for


class Come(Enum):
    """How much of a request is there."""

    WHOLE = "gunicorn has something to do without waiting: all of it, or an end"
    PART = "the rest is waited for without a thread"
    LONG = "a thread must wait for its body"


class Worker(ThreadWorker):  # type: ignore[misc]  # gunicorn comes without types
    """Whoever sends half a request gives the thread back between looks.

    With a thread each, as many clients on bad lines as there are threads would keep everybody
    else waiting. Bodies too long to be waited for are read by some of the threads only. One thread
    more is for the machine that watches: it is told so when all others wait for the database.
    """

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.readers = threading.BoundedSemaphore(max(1, int(READERS * self.cfg.threads)))
        self.pages = threading.BoundedSemaphore(self.cfg.threads)

    def get_thread_pool(self) -> ThreadPoolExecutor:
        return ThreadPoolExecutor(self.cfg.threads + 1)

    def handle(self, conn: TConn) -> Any:
        # of a request that was begun along with the one before, nobody can tell how much is there
        sent = b"" if self.cfg.is_ssl or _has_begun(conn) else _sent_so_far(conn)
        come = Come.LONG if self.cfg.is_ssl or _has_begun(conn) else how_much(sent)
        if come is Come.PART:
            conn.since_s = getattr(conn, "since_s", None) or time.monotonic()
            if time.monotonic() - conn.since_s > WITHIN_S:
                return False
            return self._later(sent)
        conn.since_s = None
        with ExitStack() as held:
            for leave in self._needed(come, sent):
                if not leave.acquire(blocking=False):
                    time.sleep(BUSY_S)
                    return WAITING
                held.callback(leave.release)
            return super().handle(conn)

    def _needed(self, come: Come, sent: bytes | None) -> list[threading.BoundedSemaphore]:
        """Leaves to take before gunicorn goes on: none for an end, or for whoever watches."""
        if come is Come.WHOLE and (sent is None or WATCHING.match(sent)):
            return []
        return [self.pages, self.readers] if come is Come.LONG else [self.pages]

    def _later(self, sent: bytes | None) -> object:
        if sent:
            time.sleep(LOOK_AGAIN_S)  # for what has come once, nobody wakes us again
        return WAITING

    def finish_request(self, conn: TConn, future: "Future[Any]") -> None:
        if not future.cancelled() and future.exception() is None and future.result() is WAITING:
            self.enqueue_req(conn)
        else:
            super().finish_request(conn, future)


def _has_begun(conn: TConn) -> bool:
    """Whether some of the next request was read along with the one before."""
    return bool(conn.parser is not None and conn.parser.unreader.buf.getvalue())


def _sent_so_far(conn: TConn) -> bytes | None:
    """What has come and is not read yet, waiting a moment for more of it; None: it is the end."""
    conn.sock.settimeout(LOOK_AGAIN_S)
    try:
        sent: bytes = conn.sock.recv(MOST_BYTES, socket.MSG_PEEK)
    except TimeoutError:
        return b""
    except OSError:
        return None
    return sent or None


def how_much(sent: bytes | None) -> Come:
    """How much of a request is there, by what has come of it; None: it is the end."""
    if sent is None or len(sent) == MOST_BYTES:
        return Come.WHOLE if sent is None or b"\r\n\r\n" not in sent else Come.LONG
    head, end, body = sent.partition(b"\r\n\r\n")
    if not end:
        return Come.PART
    fields = head.lower() + b"\r\n"
    if UNTOLD.search(fields):
        return Come.LONG
    told = LENGTH.search(fields)
    length = int(told[1]) if told else 0
    if length <= len(body):
        return Come.WHOLE
    return Come.PART if len(head) + len(end) + length <= SHORT_BYTES else Come.LONG
