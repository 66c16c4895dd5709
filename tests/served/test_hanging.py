"""A database that neither answers nor refuses: whoever watches is told so."""
# ruff: noqa: S310 (addresses are those of the processes started here)

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from django.conf import settings

from tests.processes import wait_for
from tests.served.installation import Installation, new_installation
from tests.served.test_compose import call

pytestmark = [
    pytest.mark.served,
    pytest.mark.skipif(not settings.SERVED, reason="asked once, where tests use PostgreSQL"),
]
VISITORS = 12  # of 2 processes with 4 threads each
WAITS_S = 5.0  # a second by itself, more on a busy machine; without an answer it would be for ever


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    with new_installation(tmp_path_factory.mktemp("hanging"), ["web"]) as installation:
        yield installation


def asked(here: Installation, path: str) -> tuple[int, Any]:
    try:
        with urlopen(f"{here.address}{path}", timeout=WAITS_S) as answer:
            return answer.status, answer.read()
    except HTTPError as refused:
        with refused:
            return refused.code, refused.read()


def is_ready(here: Installation) -> bool:
    with suppress(OSError):
        return asked(here, "/ready")[0] == 200
    return False


def test_while_the_database_hangs_whoever_watches_is_told(here: Installation) -> None:
    assert is_ready(here)
    assert call(here.stack, "vehicles")[0] == 200
    with ThreadPoolExecutor(VISITORS) as visitors:
        with here.database.hanging():
            waiting = [visitors.submit(call, here.stack, "vehicles") for _ in range(VISITORS)]
            for _ in range(6):  # whichever process answers
                status, said = asked(here, "/ready")
                assert status == 503
                assert json.loads(said)["parts"] == {"database": "away", "Redis": "ok"}
                assert asked(here, "/health") == (200, b"ok")
            assert not [one for one in waiting if one.done()]
        assert {one.result()[0] for one in waiting} == {200}
    wait_for(lambda: all(is_ready(here) for _ in range(6)))


def test_without_a_database_it_is_not_ready_and_alive(here: Installation) -> None:
    here.database.control("stop", "-m", "immediate")
    try:
        assert asked(here, "/ready")[0] == 503
        assert asked(here, "/health") == (200, b"ok")
    finally:
        here.database.start()
    wait_for(lambda: is_ready(here))
