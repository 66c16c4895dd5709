"""From a sheet to due dates through HTTP, with the commands of docker-compose.yml."""
# ruff: noqa: S310 (addresses are those of the processes started here)

import gzip
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen
from uuid import uuid4

import psycopg
import pytest

from config.static_files import LEAST_BYTES
from tests.config.test_static_files import WITH_A_CHART, WITHOUT
from tests.processes import wait_for
from tests.served.conftest import Stack, new_database, once

pytestmark = pytest.mark.served
MARK = "----------sheet"
HTMX = "/static/django_htmx/htmx-2.min.js"


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
    with urlopen(f"{stack.address}/ready", timeout=60) as answer:
        assert json.load(answer)["ready"] is True


def test_without_a_token_the_api_says_nothing(stack: Stack) -> None:
    status, problem = call(Stack(stack.address, "none"), "due-dates")
    assert (status, "rows" in problem) == (401, False)
    assert call(Stack(stack.address, "none"), "schema")[0] == 401


def test_a_backup_is_made_beside_the_running_parts_and_brought_into_a_new_installation(
    stack: Stack, tmp_path: Path
) -> None:
    """With the commands of README, by parts that write only where compose lets them."""
    data = Path(stack.given["SUMPWISE_DATA"])
    file = data.parent / "backups" / "FILE.zip"
    said = once(["sumpwise", "backup", str(file)], dict(stack.given))
    assert "1 vehicle" in said
    with new_database() as database:
        new = {"SUMPWISE_DATA": str(data.parent / "tmp" / "new"), "SUMPWISE_DATABASE_URL": database}
        once(["sumpwise", "migrate"], {**stack.given, **new})  # compose does so first
        said = once(["sumpwise", "restore", str(file)], {**stack.given, **new})
        assert "every row is as in the backup" in said
        with psycopg.connect(database) as connection:
            found = connection.execute("SELECT fleet_number FROM vehicles_vehicle").fetchall()
        assert found == [("V-1",)]


def sent(stack: Stack, path: str, takes: str = "gzip, br") -> tuple[bytes, Any]:
    """A body as it goes over the wire, with its headers."""
    asked = Request(f"{stack.address}{path}", headers={"Accept-Encoding": takes})
    with urlopen(asked, timeout=60) as answer:
        return answer.read(), answer.headers


def test_static_files_go_out_compressed_and_light(stack: Stack) -> None:
    """As measured by a browser on the demo: charts 1.5 MB, a page without one 34 to 43 kB."""
    page, headers = sent(stack, "/sign-in")
    assert headers["Content-Encoding"] == "gzip"
    named = re.findall(r'(?:src|href)="(/static/[^"]+)"', gzip.decompress(page).decode())
    bodies = [sent(stack, one) for one in {*named, HTMX}]
    assert all(
        headers["Content-Encoding"] == "gzip" for body, headers in bodies if len(body) > LEAST_BYTES
    )
    assert len(page) + sum(len(body) for body, _ in bodies) <= WITHOUT
    library, headers = sent(stack, "/static/plotly/plotly.min.js")
    assert headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in headers["Vary"]
    assert WITHOUT < len(library) <= WITH_A_CHART - WITHOUT
    whole, headers = sent(stack, "/static/plotly/plotly.min.js", "identity")
    assert headers["Content-Encoding"] is None
    assert gzip.decompress(library) == whole
