"""From a sheet to due dates through HTTP, with the commands of docker-compose.yml."""
# ruff: noqa: S310 (addresses are those of the processes started here)

import json
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen
from uuid import uuid4

import pytest

from tests.processes import wait_for
from tests.served.conftest import Stack

pytestmark = pytest.mark.served
MARK = "----------sheet"


def call(
    stack: Stack, path: str, body: bytes | None = None, kind: str = "application/json"
) -> tuple[int, Any]:
    """An answer of the API with its status; a body makes it a POST."""
    headers = {"Authorization": f"Bearer {stack.token}", "Content-Type": kind}
    if body is not None:
        headers["Idempotency-Key"] = uuid4().hex
    request = Request(f"{stack.address}/api/v1/{path}", body, headers)
    try:
        with urlopen(request, timeout=30) as answer:
            return answer.status, json.load(answer)
    except HTTPError as refused:
        with refused:
            return refused.code, json.load(refused)


def sheet() -> bytes:
    """A year of weekly readings, 2,100 km a month; invented."""
    today = datetime.now(UTC).date()
    lines = ["vehicle,date,odometer [km]"]
    lines += [
        f"V-1,{today - timedelta(days=7 * weeks)},{60_000 - 490 * weeks}" for weeks in range(1, 53)
    ]
    return "\n".join(lines).encode()


def as_form(content: bytes) -> bytes:
    head = f'--{MARK}\r\nContent-Disposition: form-data; name="file"; filename="odometers.csv"'
    return (
        f"{head}\r\nContent-Type: text/csv\r\n\r\n".encode() + content + f"\r\n--{MARK}--".encode()
    )


def test_a_sheet_becomes_due_dates_through_http(stack: Stack) -> None:
    form = f"multipart/form-data; boundary={MARK}"
    status, upload = call(stack, "uploads", as_form(sheet()), form)
    assert status == 202, upload
    done = wait_for(lambda: finished(stack, upload["id"]))
    assert done["counts"]["accepted"] > 0

    status, asked = call(stack, "runs/night", b"{}")
    assert status == 202, asked
    night = asked["rows"][0]["id"]
    assert wait_for(lambda: state_of(stack, night) in {"done", "failed"})
    assert state_of(stack, night) == "done"

    status, due = call(stack, "due-dates?vehicle=V-1")
    assert status == 200
    (row,) = due["rows"]
    assert (row["service"], row["p50"] is not None) == ("gearbox-oil", True)


def finished(stack: Stack, upload_id: int) -> Any:
    upload = call(stack, f"uploads/{upload_id}")[1]
    return upload if upload["state"] in {"done", "refused"} else None


def state_of(stack: Stack, run: int) -> Any:
    rows = call(stack, "runs")[1]["rows"]
    return next(row["state"] for row in rows if row["id"] == run)


def test_the_watching_machine_is_told_that_all_is_well(stack: Stack) -> None:
    with urlopen(f"{stack.address}/health", timeout=60) as answer:
        assert (answer.status, answer.read()) == (200, b"ok")


def test_without_a_token_the_api_says_nothing(stack: Stack) -> None:
    status, problem = call(Stack(stack.address, "none"), "due-dates")
    assert (status, "rows" in problem) == (401, False)
