"""Web server threads are lent to requests that have arrived, not to clients that dawdle."""

import socket
import time
from concurrent.futures import Future
from typing import Any

from gunicorn.workers.gthread import TConn, ThreadWorker

LOOK_AGAIN_S = 0.1
HEAD_WITHIN_S = 20.0  # our choice: a head is a few hundred bytes, on the worst line too
LONGEST_HEAD = 1 << 16  # gunicorn itself refuses shorter ones than this
WAITING = object()


class Worker(ThreadWorker):  # type: ignore[misc]  # gunicorn comes without types
    """Whoever sends half the head of a request gives the thread back between looks.

    With a thread each, as many clients on bad lines as there are threads would keep everybody
    else waiting. A body is read by a thread, however slowly it comes.
    """

    def handle(self, conn: TConn) -> Any:
        if self.cfg.is_ssl or _has_head(conn):
            return super().handle(conn)
        conn.since_s = getattr(conn, "since_s", time.monotonic())
        if time.monotonic() - conn.since_s > HEAD_WITHIN_S:
            return False
        time.sleep(LOOK_AGAIN_S)
        return WAITING

    def finish_request(self, conn: TConn, future: "Future[Any]") -> None:
        if not future.cancelled() and future.exception() is None and future.result() is WAITING:
            self.enqueue_req(conn)
        else:
            super().finish_request(conn, future)


def _has_head(conn: TConn) -> bool:
    """Whether gunicorn has something to do without waiting: a whole head, or an end."""
    if conn.parser is not None and conn.parser.unreader.buf.getvalue():
        return True
    try:
        sent: bytes = conn.sock.recv(LONGEST_HEAD, socket.MSG_PEEK | socket.MSG_DONTWAIT)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return not sent or b"\r\n\r\n" in sent or len(sent) == LONGEST_HEAD
