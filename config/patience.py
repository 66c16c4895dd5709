"""Web server threads are lent to requests that have arrived, not to clients that dawdle."""

import socket
import time
from concurrent.futures import Future
from typing import Any

from gunicorn.workers.gthread import TConn, ThreadWorker

LOOK_AGAIN_S = 0.1
HEAD_WITHIN_S = 20.0  # our choice: a head is a few hundred bytes, on the worst line too
MOST_BYTES = 1 << 16  # of a head; whether a longer one is taken is for gunicorn to say
WAITING = object()


class Worker(ThreadWorker):  # type: ignore[misc]  # gunicorn comes without types
    """Whoever sends half the head of a request gives the thread back between looks.

    With a thread each, as many clients on bad lines as there are threads would keep everybody
    else waiting. A body is read by a thread, however slowly it comes.
    """

    def handle(self, conn: TConn) -> Any:
        if self.cfg.is_ssl or _has_begun(conn) or _has_head(_sent_so_far(conn)):
            conn.since_s = None
            return super().handle(conn)
        conn.since_s = getattr(conn, "since_s", None) or time.monotonic()
        if time.monotonic() - conn.since_s > HEAD_WITHIN_S:
            return False
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
    if sent and not _has_head(sent):
        time.sleep(LOOK_AGAIN_S)  # for what has come once, nobody wakes us again
    return sent or None


def _has_head(sent: bytes | None) -> bool:
    """Whether gunicorn has something to do without waiting: a whole head, or an end."""
    return sent is None or b"\r\n\r\n" in sent or len(sent) == MOST_BYTES
