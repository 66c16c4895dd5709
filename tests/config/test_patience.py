"""Clients that dawdle, with sockets of our own at either end."""

import socket
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from config import patience
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
    assert patience._has_head(sent) is (sent == HEAD)


def test_silence_is_no_end_and_an_end_is(ends: Ends) -> None:
    client, conn = ends
    assert patience._sent_so_far(conn) == b""
    client.close()
    assert patience._sent_so_far(conn) is None
    assert (patience._has_head(b""), patience._has_head(None)) == (False, True)


def test_a_head_without_an_end_is_handed_on_when_it_is_long(ends: Ends) -> None:
    assert patience._has_head(bytes(patience.MOST_BYTES))
    assert not patience._has_head(bytes(patience.MOST_BYTES - 1))


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
    worker = patience.Worker.__new__(patience.Worker)
    worker.cfg = type("Settings", (), {"is_ssl": False})
    assert worker.handle(conn) is patience.WAITING
    began_s = conn.since_s
    assert worker.handle(conn) is patience.WAITING
    assert conn.since_s == began_s
    monkeypatch.setattr(time, "monotonic", lambda: began_s + patience.HEAD_WITHIN_S + 1)
    assert worker.handle(conn) is False
    monkeypatch.setattr(patience.ThreadWorker, "handle", lambda *_: "answered")
    client.sendall(HEAD)
    assert worker.handle(conn) == "answered"
    assert conn.since_s is None
