"""Clients that dawdle, with sockets of our own at either end."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from config import patience
from config.patience import Come
from tests.config.test_parts_away import Pages

HEAD = b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n"
Ends = tuple[socket.socket, patience.TConn]


class Conn:
    """The part of a connection that is looked at."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock


@pytest.fixture
def ends() -> Iterator[Ends]:
    client, server = socket.socketpair()
    with closing(client), closing(server):
        yield client, Conn(server)


@pytest.mark.parametrize("sent", [b"G", HEAD[:-1], HEAD])
def test_what_has_come_is_seen_and_stays_to_be_read(ends: Ends, sent: bytes) -> None:
    client, conn = ends
    client.sendall(sent)
    assert patience._sent_so_far(conn) == sent
    assert conn.sock.recv(100) == sent
    assert patience.how_much(sent) is (Come.WHOLE if sent == HEAD else Come.PART)


def test_silence_is_no_end_and_an_end_is(ends: Ends) -> None:
    client, conn = ends
    assert patience._sent_so_far(conn) == b""
    client.close()
    assert patience._sent_so_far(conn) is None
    assert (patience.how_much(b""), patience.how_much(None)) == (Come.PART, Come.WHOLE)


def test_a_head_without_an_end_is_handed_on_when_it_is_long(ends: Ends) -> None:
    assert patience.how_much(bytes(patience.MOST_BYTES)) is Come.WHOLE
    assert patience.how_much(bytes(patience.MOST_BYTES - 1)) is Come.PART


def post(length: int, *more: bytes) -> bytes:
    fields = [b"POST /sign-in HTTP/1.1", b"Host: localhost", b"CONTENT-length: %d" % length]
    return b"\r\n".join([*fields, *more, b"", b""])


@pytest.mark.parametrize(
    ("sent", "come"),
    [
        (post(5) + b"12345", Come.WHOLE),
        (post(5) + b"1234", Come.PART),
        (post(0), Come.WHOLE),
        (post(5, b"X-Content-Length: 9") + b"12345", Come.WHOLE),
        (post(1 << 20) + b"12345", Come.LONG),
        (post(5, b"Expect: 100-continue"), Come.LONG),  # it sends no body before it is asked to
        (post(5, b"Transfer-Encoding: chunked"), Come.LONG),
        (post(1 << 20) + bytes(1 << 16), Come.LONG),
    ],
)
def test_a_short_body_is_waited_for_and_a_long_one_is_read(sent: bytes, come: Come) -> None:
    assert patience.how_much(sent[: patience.MOST_BYTES]) is come


@pytest.mark.parametrize("length", [5_000, 1 << 20])
def test_whoever_dawdles_over_a_body_keeps_nobody_waiting(
    transactional_db: None, tmp_path: Path, length: int
) -> None:
    """Twice as many as there are threads send a head and hardly anything of the body."""
    pages = Pages(tmp_path)
    slow = [socket.create_connection(("127.0.0.1", pages.port), 60) for _ in range(16)]
    form = b"Content-Type: application/x-www-form-urlencoded"
    head = post(length, form, b"Cookie: csrftoken=" + b"a" * 32)  # looked for in the body
    try:
        for wire in slow:
            wire.sendall(head + b"1")
        assert pages.ask("GET", "/health").status == 200
        for wire in slow:
            wire.sendall(bytes(length - 1))
        # and all of them are answered: the mark of the form is none
        assert {wire.recv(12) for wire in slow} == {b"HTTP/1.1 403"}
    finally:
        for wire in slow:
            wire.close()
        pages.end()


def worker_with(pages: int, readers: int) -> patience.Worker:
    worker = patience.Worker.__new__(patience.Worker)
    worker.cfg = type("Settings", (), {"is_ssl": False})
    worker.pages = threading.BoundedSemaphore(pages)
    worker.readers = threading.BoundedSemaphore(readers)
    return worker


def test_of_long_bodies_as_many_are_read_at_once_as_leave_threads(
    monkeypatch: pytest.MonkeyPatch, ends: Ends
) -> None:
    client, conn = ends
    conn.parser = None
    worker = worker_with(pages=2, readers=1)
    client.sendall(post(1 << 20))
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: worker.handle(conn))
    assert worker.handle(conn) is patience.WAITING  # while another one is read
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: "answered")
    assert worker.handle(conn) == "answered"


def long_one(path: str) -> bytes:
    return post(1 << 20).replace(b"POST /sign-in", f"GET {path}".encode())


@pytest.mark.parametrize(
    ("full", "sent", "answered"),
    [
        ("pages", HEAD, True),  # one thread more is for whoever watches
        ("pages", HEAD.replace(b"health", b"ready"), True),
        ("pages", HEAD.replace(b"health", b"due"), False),
        ("pages", long_one("/health"), False),  # a thread would wait for its body
        ("readers", HEAD.replace(b"health", b"due"), True),
        ("readers", post(1 << 20), False),
    ],
)
def test_what_all_threads_are_at_decides_who_waits(
    monkeypatch: pytest.MonkeyPatch, ends: Ends, full: str, sent: bytes, answered: bool
) -> None:
    client, conn = ends
    conn.parser = None
    worker = worker_with(pages=1, readers=1)
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: "answered")
    client.sendall(sent)
    with getattr(worker, full):
        assert worker.handle(conn) == ("answered" if answered else patience.WAITING)
    assert worker.handle(conn) == "answered"  # what was taken was given back
    assert worker.handle(conn) == "answered"


def test_an_end_is_seen_while_all_threads_show_pages(
    monkeypatch: pytest.MonkeyPatch, ends: Ends
) -> None:
    client, conn = ends
    conn.parser = None
    worker = worker_with(pages=1, readers=1)
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: "ended")
    client.close()
    with worker.pages:
        assert worker.handle(conn) == "ended"


def test_there_is_one_thread_more_than_pages_may_have() -> None:
    worker = worker_with(pages=3, readers=1)
    worker.cfg.threads = 3
    assert worker.get_thread_pool()._max_workers == 4


def test_whoever_dawdles_keeps_nobody_waiting_and_is_answered(
    transactional_db: None, tmp_path: Path
) -> None:
    """Twice as many begin as there are threads; a kept connection may dawdle each time."""
    pages = Pages(tmp_path)
    slow = [socket.create_connection(("127.0.0.1", pages.port), 30) for _ in range(16)]
    try:
        for wire in slow:
            wire.sendall(HEAD[:1])
        assert pages.ask("GET", "/health").status == 200
        for wire in slow:
            wire.sendall(HEAD[1:])
            assert wire.recv(100).startswith(b"HTTP/1.1 200")
    finally:
        for wire in slow:
            wire.close()
        pages.end()


def test_patience_ends_and_begins_anew_with_each_request(
    monkeypatch: pytest.MonkeyPatch, ends: Ends
) -> None:
    client, conn = ends
    conn.parser, conn.since_s = None, None
    worker = worker_with(pages=1, readers=1)
    assert worker.handle(conn) is patience.WAITING
    began_s = conn.since_s
    assert worker.handle(conn) is patience.WAITING
    assert conn.since_s == began_s
    monkeypatch.setattr(time, "monotonic", lambda: began_s + patience.WITHIN_S + 1)
    assert worker.handle(conn) is False
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: "answered")
    client.sendall(HEAD)
    assert worker.handle(conn) == "answered"
    assert conn.since_s is None
