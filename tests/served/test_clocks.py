"""Clocks that are changed while the program runs: by law twice a year, and by hand.

Every process, the database's too, is told the time by libfaketime out of one file; what measures
how long something takes goes on as it is (then no process can sleep; none of these does).
"""

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from django.conf import settings

from tests.conftest import require_service
from tests.processes import wait_for
from tests.served.installation import Installation, connection_to, new_installation

pytestmark = [
    pytest.mark.served,
    pytest.mark.skipif(not settings.SERVED, reason="asked once, where tests use PostgreSQL"),
]
REST_S = 0.3  # a message is somewhere between two processes for less


class Clock:
    """The time that all processes of an installation are told."""

    def __init__(self, file: Path) -> None:
        self.file = file
        libraries = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
        require_service(bool(libraries), "libfaketime")
        self.environment = {
            "LD_PRELOAD": str(libraries[0]),
            "FAKETIME_TIMESTAMP_FILE": str(file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "TZ": "UTC",
        }

    def is_put_to(self, at: datetime) -> None:
        """As a clock that goes on from there; a second later, for it begins a little before."""
        beside = self.file.with_suffix(".new")
        beside.write_text(f"@{at + timedelta(seconds=1):%Y-%m-%d %H:%M:%S}\n")
        beside.replace(self.file)  # nobody reads half of it


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Clock:
    folder = tmp_path_factory.mktemp("clock")
    for above in (folder, *list(folder.parents)[:2]):
        above.chmod(0o755)  # the database reads it as another user
    found = Clock(folder / "now")
    found.is_put_to(datetime(2027, 3, 26, 12, tzinfo=UTC))
    return found


@pytest.fixture(scope="module")
def here(clock: Clock, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    folder = tmp_path_factory.mktemp("clocks")
    with new_installation(folder, ["worker"], clock.environment) as installation:
        yield installation


@pytest.fixture(autouse=True)
def all_is_well_afterwards(here: Installation) -> Iterator[None]:
    yield
    wrong = [one for one in json.loads(here.command("check", "--json")) if not one["ok"]]
    assert wrong == []


def nights(here: Installation) -> dict[str, str]:
    """By date of a night, when the database says that it was begun."""
    with connection_to(here.database) as connection:
        rows = connection.execute(
            "SELECT \"on\"::text, started_at::text, state FROM runs_run WHERE job = 'night'"
        ).fetchall()
    assert {state for _, _, state in rows} <= {"done"}
    return {str(on): str(started_at) for on, started_at, _ in rows}


def ask(here: Installation) -> None:
    """Ask for what is owed, and wait until the worker has done it and what came of it."""
    before = here.said("worker").count("make_up[")
    here.tick()
    quiet_since = time.monotonic()

    def at_rest() -> bool:
        nonlocal quiet_since
        said = here.said("worker")
        ended = said.count("] succeeded in") + said.count("] raised")
        if said.count("make_up[") == before or said.count("] received") > ended:
            quiet_since = time.monotonic()
        return time.monotonic() - quiet_since > REST_S

    wait_for(at_rest)


# Nights are due from 02:30 local time. Madrid, by directive 2000/84/EC: at 01:00 UTC of 28 March
# 2027 local 2 h is followed by 3 h, of 31 October 3 h by 2 h. In between a clock is put back.
INSTANTS = (
    ("2027-03-27 22:00", "2027-03-27"),
    ("2027-03-28 00:45", ""),  # 01:45 in Madrid
    ("2027-03-28 01:00", "2027-03-28"),  # 03:00
    ("2027-03-28 01:30", ""),
    ("2027-06-10 00:15", "2027-06-09"),  # 02:15
    ("2027-06-10 00:45", "2027-06-10"),
    ("2027-06-09 23:45", ""),  # an hour back
    ("2027-06-10 00:15", ""),
    ("2027-06-10 00:45", ""),
    ("2027-10-30 22:00", "2027-10-30"),
    ("2027-10-31 00:15", ""),  # 02:15, for the first time
    ("2027-10-31 00:30", "2027-10-31"),
    ("2027-10-31 01:15", ""),  # 02:15, for the second time
    ("2027-10-31 01:45", ""),  # 02:45, for the second time
    ("2027-11-01 01:30", "2027-11-01"),
)


def test_each_night_is_done_once_whatever_is_done_to_the_clock(
    here: Installation, clock: Clock
) -> None:
    ask(here)
    seen = [nights(here)]
    for at, _ in INSTANTS:
        clock.is_put_to(datetime.fromisoformat(f"{at}+00:00"))
        ask(here)
        seen.append(nights(here))
    came = [" ".join(sorted(now.keys() - before.keys())) for before, now in pairwise(seen)]
    assert came == [on for _, on in INSTANTS]
    assert all(before.items() <= now.items() for before, now in pairwise(seen))  # none again
