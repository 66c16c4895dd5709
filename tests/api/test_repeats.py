from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.api import repeats
from fleet.readings.models import Reading
from fleet.runs.models import RepeatKey
from fleet.runs.repeats import ALIVE
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

READINGS = address("readings")
ROWS = {"rows": [{"vehicle": "V-101", "value": 5000, "taken_on": "2026-01-05"}]}
OTHER = {"rows": [{"vehicle": "V-101", "value": 6000, "taken_on": "2026-01-06"}]}


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    return call(people.clerk)


def send(client: APIClient, given: object = ROWS, key: str = "one") -> object:
    return client.post(READINGS, given, format="json", headers={"Idempotency-Key": key})


def test_a_repeated_request_gets_the_first_answer_and_no_second_effect(clerk: APIClient) -> None:
    first, again = send(clerk), send(clerk)
    assert first.json() == again.json()
    assert first.json()["counts"] == {"accepted": 1}  # and not "repeated" the second time
    assert [again["Idempotency-Replayed"], "Idempotency-Replayed" in first] == ["true", False]
    assert Reading.objects.count() == 1


def test_without_a_key_or_with_another_the_effect_is_asked_for_again(clerk: APIClient) -> None:
    send(clerk)
    assert send(clerk, key="two").json()["counts"] == {"repeated": 1}
    assert clerk.post(READINGS, ROWS, format="json").json()["counts"] == {"repeated": 1}


def test_the_same_key_for_another_request_is_refused(clerk: APIClient) -> None:
    send(clerk)
    answer = send(clerk, OTHER)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "key_reused")
    assert Reading.objects.count() == 1


def test_the_order_of_names_makes_no_other_request(clerk: APIClient) -> None:
    send(clerk)
    turned = {"rows": [dict(reversed(ROWS["rows"][0].items()))]}
    assert send(clerk, turned)["Idempotency-Replayed"] == "true"


def test_another_person_may_use_the_same_key(people: Cast, clerk: APIClient, call: Caller) -> None:
    send(clerk)
    assert send(call(people.mechanic), OTHER).json()["counts"] == {"accepted": 1}


def test_while_the_first_is_running_a_second_is_told_to_wait(
    people: Cast, clerk: APIClient
) -> None:
    send(clerk)
    RepeatKey.objects.update(status=None, body=None)
    answer = send(clerk)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (409, "still_running")


def test_a_first_request_that_died_is_taken_over(clerk: APIClient) -> None:
    send(clerk)
    Reading.objects.all().delete()
    died_at = timezone.now() - ALIVE - timedelta(seconds=1)
    RepeatKey.objects.update(status=None, body=None, created_at=died_at)
    assert send(clerk).status_code == 200
    assert (Reading.objects.count(), RepeatKey.objects.get().status) == (1, 200)


def test_a_first_request_that_only_seemed_dead_has_no_effect(
    clerk: APIClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = repeats._keep

    def taken_over_meanwhile(claim: RepeatKey, answer: repeats.Answer) -> None:
        RepeatKey.objects.update(created_at=timezone.now() + timedelta(seconds=1))
        store(claim, answer)

    monkeypatch.setattr(repeats, "_keep", taken_over_meanwhile)
    assert send(clerk).status_code == 409
    assert not Reading.objects.exists()


def test_after_a_refusal_the_key_is_free_again(people: Cast, call: Caller) -> None:
    supervisor = call(people.supervisor)
    today = str(depots_day())
    given = {
        "vehicle": "V-101", "compartment": "engine", "duty_class": "severe", "reason": "tows",
        "from_on": today, "until_on": "2020-01-01",
    }  # fmt: skip
    where, headers = address("duty/overrides"), {"Idempotency-Key": "one"}
    refused = supervisor.post(where, given, format="json", headers=headers)
    assert (refused.status_code, RepeatKey.objects.count()) == (422, 0)


def test_a_key_is_kept_for_30_days(clerk: APIClient) -> None:
    send(clerk)
    old = timezone.now() - timedelta(days=30, seconds=1)
    RepeatKey.objects.update(created_at=old)
    assert send(clerk, OTHER).json()["counts"] == {"accepted": 1}
    assert RepeatKey.objects.count() == 1


def test_a_key_of_29_days_still_counts(clerk: APIClient) -> None:
    send(clerk)
    RepeatKey.objects.update(created_at=timezone.now() - timedelta(days=29))
    assert send(clerk)["Idempotency-Replayed"] == "true"


@pytest.mark.parametrize("key", ["", "x" * 201, "t\tab", "ü"])
def test_an_unusable_key_is_refused(clerk: APIClient, key: str) -> None:
    answer = send(clerk, key=key)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "key_unusable")
    assert not Reading.objects.exists()
