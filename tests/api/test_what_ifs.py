"""What if by API: asked, followed, read back, deleted."""

from typing import Any

import pytest
from django.utils import timezone

from fleet import jobs
from fleet.whatif.models import WhatIf
from tests.api.conftest import Caller
from tests.cast import Cast, depots_day

URL = "/api/v1/what-ifs"


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Questions handed to the worker, which works out none of them here."""
    found: list[int] = []
    monkeypatch.setattr(jobs, "send", lambda task, *given: found.append(given[0]))
    return found


def body(*rows: dict[str, str]) -> dict[str, Any]:
    return {"changes": list(rows)}


def test_a_question_is_taken_and_its_answer_read_back(
    people: Cast, call: Caller, sent: list[int], django_capture_on_commit_callbacks: Any
) -> None:
    client = call(people.supervisor)
    given = body({"what": "sell", "which": "V-101", "from": depots_day().isoformat()})
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(URL, given, format="json")
    asked = WhatIf.objects.get()
    assert (answer.status_code, answer["Location"]) == (202, f"{URL}/{asked.pk}")
    assert sent == [asked.pk]
    assert answer.json()["state"] == "waiting"
    WhatIf.objects.update(state="done", result={"answer": "Yes."}, finished_at=timezone.now())
    read = client.get(f"{URL}/{asked.pk}").json()
    assert (read["state"], read["result"]) == ("done", {"answer": "Yes."})
    assert [row["id"] for row in client.get(URL).json()["rows"]] == [asked.pk]
    assert client.delete(f"{URL}/{asked.pk}").status_code == 204
    assert not WhatIf.objects.exists()


def test_each_fault_points_at_its_row_and_field(people: Cast, call: Caller) -> None:
    given = body(
        {"what": "sell", "which": "V-101"},
        {"what": "sell", "which": "V-9"},
        {"what": "limit km", "which": "*", "value": "far", "from": "2020-01-01"},
    )
    answer = call(people.supervisor).post(URL, given, format="json")
    found = {one["pointer"]: one["detail"] for one in answer.json()["errors"]}
    assert "#/changes/1/which" in found
    assert "'V-9'" in found["#/changes/1/which"]
    assert any(pointer.startswith("#/changes/2/") for pointer in found)
    assert not any(pointer.startswith("#/changes/0") for pointer in found)


def test_a_misspelt_name_is_a_fault(people: Cast, call: Caller) -> None:
    given = body({"what": "sell", "which": "V-101", "form": "today"})
    answer = call(people.supervisor).post(URL, given, format="json")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "#/changes/0/form"
