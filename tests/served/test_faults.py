"""What a company's machines do on a bad day: parts are killed, and nothing is lost.

After each fault the sheet that was on its way has one verdict for each of its rows, readings stand
once, and ``sumpwise check`` finds nothing. Every fault strikes at a moment drawn from a fixed seed;
``--moments`` draws more of them.
"""

import json
import random
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from io import BytesIO
from itertools import count
from typing import Any
from urllib.request import urlopen
from uuid import uuid4

import pytest
from django.conf import settings
from PIL import Image

from tests.processes import wait_for
from tests.served.installation import Installation, connection_to, filled_up, new_installation
from tests.served.test_compose import MARK, as_form, call

pytestmark = [
    pytest.mark.served,
    pytest.mark.skipif(not settings.SERVED, reason="asked once, where tests use PostgreSQL"),
]
FORM = f"multipart/form-data; boundary={MARK}"
VANS, DAYS = range(2, 201), 20
ROWS = len(VANS) * DAYS
JOINED = datetime(2023, 1, 9, tzinfo=UTC)
minutes = count()  # every sheet has one of its own


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    with new_installation(tmp_path_factory.mktemp("faults")) as installation:
        yield installation


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "moment" in metafunc.fixturenames:
        drawn = range(metafunc.config.getoption("--moments"))
        metafunc.parametrize("moment", [random.Random(seed) for seed in drawn], ids=map(str, drawn))


@pytest.fixture(autouse=True)
def all_is_well_afterwards(here: Installation) -> Iterator[None]:
    yield
    wrong = [one for one in json.loads(here.command("check", "--json")) if not one["ok"]]
    assert wrong == []


def sheet(minute: int) -> bytes:
    """Readings of 199 vans at a minute of 20 days, 90 km a day; invented."""
    first = datetime.now(UTC).replace(hour=1, minute=0, second=0) - timedelta(days=DAYS + 1)
    lines = ["vehicle,time,odometer [km]"]
    for day in range(DAYS):
        at = first + timedelta(days=day, minutes=minute)
        km = 90 * (at - JOINED).total_seconds() / 86_400
        lines += [f"V-{van},{at:%Y-%m-%d %H:%M}Z,{km + 10 * van:.1f}" for van in VANS]
    return "\n".join(lines).encode()


def send(here: Installation, content: bytes) -> int:
    status, upload = call(here.stack, "uploads", as_form(content), FORM)
    assert status in {200, 202}, upload
    return int(upload["id"])


def ended(here: Installation, upload: int) -> Any:
    """What became of an upload; None while it is on its way or the program is away."""
    try:
        status, found = call(here.stack, f"uploads/{upload}")
    except OSError:
        return None
    return found if status == 200 and found["state"] in {"done", "refused"} else None


def assert_whole(here: Installation, upload: int, minute: int) -> None:
    """Every row of the sheet is accepted, and every reading stands once."""

    def found() -> Any:
        with suppress(OSError):
            here.tick()
        time.sleep(1)
        return ended(here, upload)

    assert wait_for(found)["counts"] == {"accepted": ROWS}
    with connection_to(here.database) as connection:
        stored = connection.execute(
            "SELECT count(*), count(DISTINCT (meter_id, taken_at)) FROM readings_reading"
            " WHERE extract(epoch FROM taken_at)::bigint / 60 %% 1440 = %s AND source = 'sheet'",
            [60 + minute],
        ).fetchone()
    assert stored == (ROWS, ROWS)


def nights(here: Installation) -> Any:
    return [row for row in call(here.stack, "runs")[1]["rows"] if row["job"] == "night"]


# --- parts that go away ------------------------------------------------------------------------


def test_a_killed_worker_loses_no_row(here: Installation, moment: random.Random) -> None:
    upload = send(here, sheet(minute := next(minutes)))
    time.sleep(moment.uniform(0, 2))
    here.kill("worker")
    here.start("worker")
    assert_whole(here, upload, minute)


def test_a_database_that_restarts_loses_no_row(here: Installation, moment: random.Random) -> None:
    upload = send(here, sheet(minute := next(minutes)))
    time.sleep(moment.uniform(0, 2))
    here.database.restart_at_once()
    assert_whole(here, upload, minute)


def test_a_database_that_restarts_leaves_no_night_half_done(
    here: Installation, moment: random.Random
) -> None:
    status, asked = call(here.stack, "runs/night", b'{"again": true}')
    if status != 202:
        status, asked = call(here.stack, "runs/night", b"{}")
    assert status == 202, asked
    time.sleep(moment.uniform(0, 2))
    here.database.restart_at_once()

    def done() -> bool:
        with suppress(OSError):
            here.tick()
        time.sleep(1)
        try:
            return nights(here)[0]["state"] == "done"
        except (OSError, LookupError):  # away, or not begun yet
            return False

    wait_for(done)


def test_a_broker_that_forgets_everything_loses_no_row(
    here: Installation, moment: random.Random
) -> None:
    here.kill("worker")
    upload = send(here, sheet(minute := next(minutes)))
    here.broker.kill()
    here.broker.start()
    here.start("worker")
    assert_whole(here, upload, minute)


def test_a_killed_clock_is_started_again(here: Installation, moment: random.Random) -> None:
    time.sleep(moment.uniform(0, 1))
    here.kill("beat")
    plan = here.data / "beat-schedule"
    kept = [plan] if plan.exists() else list(here.data.glob("beat-schedule*"))
    for path in kept:  # as a kill in the middle of writing leaves it
        path.write_bytes(path.read_bytes()[:100])
    here.start("beat")
    assert here.running["beat"].poll() is None


def test_a_file_cut_off_half_way_is_nobodys_and_comes_again_whole(
    here: Installation, moment: random.Random
) -> None:
    """The web server is killed while a file arrives, and has its port again at once."""
    before = call(here.stack, "uploads")[1]["rows"]
    body = as_form(sheet(minute := next(minutes)))
    host, port = here.address.removeprefix("http://").split(":")
    with closing(socket.create_connection((host, int(port)))) as wire:
        head = (
            f"POST /api/v1/uploads HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {here.token}"
            f"\r\nIdempotency-Key: cut-{minute}\r\nContent-Type: {FORM}"
            f"\r\nContent-Length: {len(body)}\r\n\r\n"
        )
        wire.sendall(head.encode() + body[: int(moment.random() * len(body))])
        time.sleep(0.3)
        here.kill("web")
    here.start("web")
    assert call(here.stack, "uploads")[1]["rows"] == before
    assert_whole(here, send(here, sheet(minute)), minute)


# --- too much at once --------------------------------------------------------------------------


def test_the_same_file_from_eight_clients_is_taken_in_once(here: Installation) -> None:
    content = sheet(minute := next(minutes))
    with ThreadPoolExecutor(8) as clients:
        found = set(clients.map(lambda _: send(here, content), range(8)))
    assert len(found) == 1
    assert_whole(here, found.pop(), minute)


def test_of_two_nights_at_once_one_is_done(here: Installation) -> None:
    both = [here.begin("nightly") for _ in range(2)]
    said = [process.communicate(timeout=300)[0] for process in both]
    codes = [process.returncode for process in both]
    assert 0 in codes
    for code, text in zip(codes, said, strict=True):
        assert code == 0 or "is running already" in text, text


def test_a_task_delivered_twice_is_done_once(here: Installation) -> None:
    upload = send(here, sheet(minute := next(minutes)))
    for _ in range(3):
        here.send("take_in_upload", upload)
    assert_whole(here, upload, minute)


def test_messages_of_older_and_newer_versions_do_no_harm(here: Installation) -> None:
    """The first two forms were sent by earlier versions; the last two say more than is known."""
    here.kill("worker")
    upload = send(here, sheet(minute := next(minutes)))
    with closing(_redis(here)) as wire:
        wire.sendall(b"FLUSHALL\r\n")
        assert wire.recv(100).startswith(b"+OK")
    on = datetime.now(UTC).date().isoformat()
    here.send("take_in_book", 1)
    here.send("night", on, "Europe/Madrid")
    here.send("refresh", [1], later=True)
    here.send("take_in_upload", upload, False, "more", later={"of": "that"})
    here.start("worker")
    found = wait_for(lambda: ended(here, upload))
    assert found["counts"] == {"accepted": ROWS}
    assert "unexpected keyword" not in here.said("worker")
    assert "positional argument" not in here.said("worker")
    assert_whole(here, upload, minute)


def _redis(here: Installation) -> socket.socket:
    return socket.create_connection(("127.0.0.1", here.broker.port))


def test_slow_clients_keep_nobody_waiting(here: Installation) -> None:
    """Twice as many as there are threads send a letter of a request and then no more."""
    host, port = here.address.removeprefix("http://").split(":")
    slow = [socket.create_connection((host, int(port))) for _ in range(16)]
    for wire in slow:
        wire.sendall(b"G")
    try:
        with urlopen(f"{here.address}/health", timeout=20) as answer:  # noqa: S310 (started here)
            assert answer.status == 200
    finally:
        for wire in slow:
            wire.close()


# --- no room -----------------------------------------------------------------------------------


def test_a_full_disk_is_said_and_the_file_comes_again(here: Installation) -> None:
    content = sheet(minute := next(minutes))
    with filled_up(here.data / "uploads"):
        status, problem = call(here.stack, "uploads", as_form(content), FORM)
        assert status == 507
        assert "disk is full" in problem["errors"][0]["detail"]
        assert not [path for path in (here.data / "uploads").iterdir() if path.name != "ballast"]
    assert_whole(here, send(here, content), minute)


def test_a_full_disk_keeps_no_half_photo_and_it_comes_again(here: Installation) -> None:
    """A photo of noise is far more than the 64 kB that are left."""
    told = {"vehicle": "V-1", "kind": "damage", "severity": "soon", "text": "a dent"}
    told |= {"client_key": uuid4().hex, "performed_at": datetime.now(UTC).isoformat()}
    status, finding = call(here.stack, "findings", json.dumps(told).encode())
    assert status == 201, finding
    photo, where = as_photo(uuid4().hex), f"findings/{finding['id']}/photos"
    folder = here.data / "files"
    with filled_up(folder):
        status, problem = call(here.stack, where, photo, FORM)
        assert status == 507
        assert "disk is full" in problem["errors"][0]["detail"]
        assert [path.name for path in folder.rglob("*") if path.is_file()] == ["ballast"]
    status, kept = call(here.stack, where, photo, FORM)
    assert status == 201, kept
    (found,) = [path for path in folder.rglob("*.jpg") if path.is_file()]
    assert found.stat().st_size > 64 << 10
    with connection_to(here.database) as connection:
        stored = connection.execute("SELECT path FROM workorders_photo").fetchall()
    assert stored == [(found.relative_to(folder).as_posix(),)]


def as_photo(key: str) -> bytes:
    """The form of a photo of noise, from a fixed seed."""
    made = BytesIO()
    pixels = random.Random(1).randbytes(600 * 400 * 3)
    Image.frombytes("RGB", (600, 400), pixels).save(made, "JPEG", quality=90)
    part = f"--{MARK}\r\nContent-Disposition: form-data; name="
    fields = {"client_key": key, "performed_at": datetime.now(UTC).isoformat()}
    said = "".join(f'{part}"{name}"\r\n\r\n{value}\r\n' for name, value in fields.items())
    file = f'{said}{part}"photo"; filename="a.jpg"\r\nContent-Type: image/jpeg\r\n\r\n'
    return file.encode() + made.getvalue() + f"\r\n--{MARK}--".encode()
