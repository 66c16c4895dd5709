"""Other work by API: entered, corrected, ended, taken back; and what is refused."""

from datetime import date, timedelta
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.visits import plan as plans
from fleet.visits.models import OtherWork
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

RECALL: dict[str, Any] = {
    "vehicle": "V-101",
    "kind": "recall",
    "title": "Belt tensioner",
    "number": "R-77",
    "minutes": 90,
}


@pytest.fixture
def chief(people: Cast, call: Caller) -> APIClient:
    return call(people.supervisor)


def post(client: APIClient, where: str, status: int = 200, **given: object) -> Any:
    answer = client.post(address(where), given, format="json")
    assert answer.status_code == status, answer.content
    return answer.json()


def listed(client: APIClient, **asked: object) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = client.get(address("other-work"), asked).json()["rows"]
    return rows


def workday(ahead: int) -> date:
    """A day on which the workshop is open, some days ahead or the Monday after."""
    on = depots_day() + timedelta(days=ahead)
    return on + timedelta(days=max(0, 7 - on.weekday()) if on.weekday() > 4 else 0)


def test_it_is_entered_corrected_ended_and_taken_back(chief: APIClient) -> None:
    made = post(chief, "other-work", 201, **RECALL, latest_on=str(workday(20)))
    assert (made["state"], made["entered_by"], made["latest_on"]) == (
        "open", "sura", str(workday(20)),
    )  # fmt: skip
    assert listed(chief) == [made]
    one = f"other-work/{made['id']}"
    more = {**RECALL, "minutes": 40, "skills": ["gas"], "fixed_on": str(workday(9))}
    del more["vehicle"]
    changed = post(chief, f"{one}/correct", **more)
    assert (changed["minutes"], changed["skills"], changed["latest_on"]) == (40, ["gas"], None)
    assert post(chief, f"{one}/end", ending="cancelled", reason="sold")["state"] == "cancelled"
    assert listed(chief) == []
    (ended,) = listed(chief, ended=True)
    assert (ended["reason"], ended["by_hand"]) == ("sold", True)
    assert post(chief, f"{one}/reopen")["state"] == "open"


def test_what_cannot_be_is_refused_and_stores_nothing(chief: APIClient) -> None:
    assert "number" in str(post(chief, "other-work", 422, **{**RECALL, "number": ""}))
    both = {"fixed_on": str(workday(9)), "latest_on": str(workday(9))}
    assert "not both" in str(post(chief, "other-work", 422, **RECALL, **both))
    assert "minutes" in str(post(chief, "other-work", 400, **{**RECALL, "minutes": 0}))
    past = str(depots_day() - timedelta(days=1))
    assert "past" in str(post(chief, "other-work", 422, **RECALL, fixed_on=past))
    assert not OtherWork.objects.exists()


def test_a_fixed_day_when_nobody_is_there_is_asked_about(chief: APIClient) -> None:
    saturday = depots_day() + timedelta(days=12 - depots_day().weekday())
    given = {**RECALL, "fixed_on": str(saturday)}
    asked = post(chief, "other-work", 409, **given)
    assert "as on every Saturday" in asked["detail"]
    assert "fixed_on" in str(asked["errors"])
    assert list(asked["to_go_on"]) == ["override_reason"]
    # the Friday before and the Monday after, by hand
    assert [int(one.split()[0]) for one in asked["candidates"]] == [
        (saturday + timedelta(days=apart)).day for apart in (-1, 2)
    ]
    made = post(chief, "other-work", 201, **given, override_reason="the inspector comes")
    assert made["why_it_stands"] == "the inspector comes"


def test_the_same_request_sent_twice_enters_it_once(chief: APIClient) -> None:
    for _ in range(2):
        answer = chief.post(
            address("other-work"), RECALL, format="json", headers={"Idempotency-Key": "once-1234"}
        )
        assert answer.status_code == 201
    assert OtherWork.objects.count() == 1


def test_it_stands_among_the_visits(chief: APIClient, people: Cast) -> None:
    made = post(chief, "other-work", 201, **RECALL, fixed_on=str(workday(9)))
    plans.plan([people.plain.pk], depots_day())
    (row,) = chief.get(address("visits")).json()["rows"]
    assert (row["service"], row["other_work"], row["on"]) == (
        "Belt tensioner (R-77)", made["id"], str(workday(9)),
    )  # fmt: skip
