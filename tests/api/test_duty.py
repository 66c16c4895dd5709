from datetime import timedelta

import pytest
from rest_framework.test import APIClient

from fleet.due.models import DueDate
from fleet.duty.models import DutyOverride
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

OVERRIDES = address("duty/overrides")


@pytest.fixture
def supervisor(running: Cast, call: Caller) -> APIClient:
    return call(running.supervisor)


def given(**changes: object) -> dict[str, object]:
    today = depots_day()
    return {
        "vehicle": "v-101",
        "compartment": "engine",
        "duty_class": "severe",
        "from_on": str(today),
        "until_on": str(today + timedelta(days=90)),
        "reason": "tows a trailer",
        **changes,
    }


def test_an_assessment_comes_with_its_evidence(supervisor: APIClient) -> None:
    row = supervisor.get(address("duty"), {"vehicle": "V-101"}).json()["rows"][0]
    assert (row["vehicle"], row["compartment"], row["duty_class"]) == ("V-101", "engine", "normal")
    assert row["evidence"]


def test_assessments_can_be_narrowed_by_class(supervisor: APIClient) -> None:
    assert supervisor.get(address("duty"), {"duty_class": "severe"}).json()["rows"] == []
    assert len(supervisor.get(address("duty"), {"duty_class": "normal"}).json()["rows"]) == 2


def test_a_supervisor_sets_the_class_and_due_dates_follow(
    running: Cast, supervisor: APIClient
) -> None:
    answer = supervisor.post(OVERRIDES, given(), format="json")
    assert (answer.status_code, answer.json()["person"]) == (201, "sura")
    assert DutyOverride.objects.get().person == running.supervisor
    assert DueDate.objects.get(vehicle=running.van).duty_class == "severe"
    assert [row["id"] for row in supervisor.get(OVERRIDES).json()["rows"]] == [answer.json()["id"]]


def test_a_class_that_moves_days_that_are_over_is_a_question(
    running: Cast, supervisor: APIClient
) -> None:
    began = given(from_on=str(depots_day() - timedelta(days=1)))
    problem = supervisor.post(OVERRIDES, began, format="json")
    assert (problem.status_code, problem.json()["errors"][0]["code"]) == (409, "question")
    assert problem.json()["errors"][0]["pointer"] == "#/from_on"
    assert "moves Engine oil from " in problem.json()["detail"]
    assert not DutyOverride.objects.exists()
    stands = began | {"override_reason": "nobody had entered it"}
    assert supervisor.post(OVERRIDES, stands, format="json").status_code == 201


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"until_on": "2020-01-01"}, 422),
        ({"reason": " "}, 400),
        ({"duty_class": "hard"}, 400),
        ({"compartment": "gearbox"}, 400),
        ({"vehicle": "V-999"}, 404),
        ({"from_on": 5}, 400),
        ({"why": "x"}, 400),
    ],
)
def test_a_decision_that_cannot_be_is_refused(
    supervisor: APIClient, changes: dict[str, object], status: int
) -> None:
    assert supervisor.post(OVERRIDES, given(**changes), format="json").status_code == status
    assert not DutyOverride.objects.exists()
