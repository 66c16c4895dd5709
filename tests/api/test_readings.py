import json
from datetime import timedelta
from functools import partial

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.due.models import DueDate
from fleet.readings.models import Reading, ReadingDecision, Verdict
from fleet.vehicles.models import Alias, Meter
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

READINGS = address("readings")


@pytest.fixture
def clerk(running: Cast, call: Caller) -> APIClient:
    return call(running.clerk)


def given(**changes: object) -> dict[str, object]:
    """A reading that continues the cast's: 5,000 km plus ten weeks of 630 km."""
    now = timezone.now().isoformat(timespec="seconds")
    return {"vehicle": "V-101", "value": 10_760, "unit": "km", "taken_at": now, **changes}


def send(client: APIClient, *rows: object) -> dict[str, object]:
    text = json.dumps({"rows": rows})
    answer = client.post(READINGS, text, content_type="application/json")
    assert answer.status_code == 200, answer.content
    return answer.json()


def test_a_reading_is_judged_and_counts_at_once(running: Cast, clerk: APIClient) -> None:
    before = DueDate.objects.get(vehicle=running.van).remaining_km
    told = send(clerk, given())
    assert told["counts"] == {"accepted": 1}
    after = DueDate.objects.get(vehicle=running.van).remaining_km
    assert before - after == pytest.approx(90)  # 10,760 - 10,670


def test_each_row_has_an_outcome_of_its_own(clerk: APIClient) -> None:
    told = send(
        clerk,
        given(),
        given(),
        given(vehicle="V-102", value=10_450),
        given(vehicle="V-999"),
        given(value=-5),
        given(taken_at="2026-01-01T10:00:00"),
        given(taken_at=(timezone.now() + timedelta(days=9)).isoformat()),
    )
    outcomes = [row["outcome"] for row in told["rows"]]
    assert outcomes == [
        "accepted",
        "repeated",
        "held",
        "unknown vehicle",
        "unreadable",
        "unreadable",
        "rejected",
    ]
    assert [row["index"] for row in told["rows"]] == list(range(7))
    assert sum(told["counts"].values()) == 7


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"value": "10 760"}, "value: "),
        ({"value": True}, "value: "),
        ({"unit": "mile"}, "unit: "),
        ({"taken_at": "yesterday"}, "taken_at: Write an ISO 8601 instant with its offset"),
        ({"taken_on": "2026-01-01"}, "either taken_at or taken_on"),
        ({"odometer": 5}, "odometer: There is no odometer"),
        ({"vehicle": 101}, "vehicle: "),
        ({"vehicle": "V-101\0"}, "vehicle: "),
        ({"note": "\ud800"}, "note: "),
        ({"taken_at": "0001-01-01T00:00:00+14:00"}, "taken_at: "),
    ],
)
def test_an_unreadable_row_says_what_is_wrong(
    clerk: APIClient, changes: dict[str, object], says: str
) -> None:
    before = Reading.objects.count()
    row = send(clerk, given(**changes))["rows"][0]
    assert row["outcome"] == "unreadable"
    assert says in row["message"]
    assert Reading.objects.count() == before


def test_a_day_without_a_time_is_noon_at_the_depot(clerk: APIClient) -> None:
    row = given(taken_on="2026-07-05", value=1)
    del row["taken_at"]
    told = send(clerk, row)
    stored = Reading.objects.get(pk=told["rows"][0]["reading"])
    # Berlin is two hours ahead of UTC in July (IANA time zone data)
    assert (stored.taken_at.hour, stored.time_known) == (10, False)


def test_miles_and_hours_are_taken(running: Cast, clerk: APIClient) -> None:
    told = send(clerk, given(value=6_686, unit="mi"), given(value=412.5, unit="h"))
    miles, hours = (Reading.objects.get(pk=row["reading"]) for row in told["rows"])
    assert miles.meter_value == pytest.approx(6_686 * 1.609344)  # the international mile
    assert (hours.meter.kind, hours.meter_value) == (Meter.Kind.HOURS, 412.5)


def test_an_old_number_is_understood(running: Cast, clerk: APIClient) -> None:
    Alias.objects.create(vehicle=running.van, fleet_number="Old 7")
    assert send(clerk, given(vehicle="old 7 "))["counts"] == {"accepted": 1}


def test_more_than_10_000_rows_are_refused(clerk: APIClient) -> None:
    answer = clerk.post(READINGS, {"rows": [{}] * 10_001}, format="json")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/rows")


@pytest.fixture
def held(clerk: APIClient) -> dict[str, object]:
    told = send(clerk, given(value=10_450))  # below the 10,670 km that were read before
    return clerk.get(address(f"readings/{told['rows'][0]['reading']}")).json()


def test_the_list_can_be_narrowed_to_what_is_held(
    clerk: APIClient, held: dict[str, object]
) -> None:
    rows = clerk.get(READINGS, {"verdict": "held"}).json()["rows"]
    assert [row["id"] for row in rows] == [held["id"]]
    assert clerk.get(READINGS, {"verdict": "held", "vehicle": "V-102"}).json()["rows"] == []


def test_a_held_reading_says_why(held: dict[str, object]) -> None:
    assert (held["verdict"], held["reason"]) == ("held", "noted_late")
    assert "older reading" in held["message"]


def settle(client: APIClient, reading: dict[str, object], action: str, tag: str) -> object:
    where = address(f"readings/{reading['id']}/settle")
    given = {"action": action, "reason": "asked the driver"}
    return client.post(where, given, format="json", headers={"If-Match": tag})


def test_a_held_reading_is_settled(
    running: Cast, clerk: APIClient, held: dict[str, object]
) -> None:
    tag = clerk.get(address(f"readings/{held['id']}"))["ETag"]
    answer = settle(clerk, held, "reject", tag)
    assert (answer.status_code, answer.json()["verdict"]) == (200, Verdict.REJECTED)
    decision = ReadingDecision.objects.get()
    assert (decision.person, decision.channel) == (running.clerk, "api")
    assert answer["ETag"] == clerk.get(address(f"readings/{held['id']}"))["ETag"]


def test_what_was_probably_meant_is_accepted_and_counts(running: Cast, clerk: APIClient) -> None:
    told = send(clerk, given(value=17_060))  # 10,760 with two digits swapped
    reading = clerk.get(address(f"readings/{told['rows'][0]['reading']}")).json()
    assert (reading["reason"], reading["suggestion_km"]) == ("digits_swapped", 10_760)
    answer = settle(clerk, reading, "accept suggestion", "*")
    assert (answer.json()["verdict"], answer.json()["total_km"]) == ("accepted", 10_760)
    assert DueDate.objects.get(vehicle=running.van).remaining_km == pytest.approx(9_240)


def test_a_reading_tells_in_its_own_unit_what_stands_beside_it(
    running: Cast, clerk: APIClient, held: dict[str, object]
) -> None:
    running.van.meters.update(unit="mi")
    beside = clerk.get(address(f"readings/{held['id']}")).json()["beside"]
    assert (held["beside"]["unit"], beside["unit"]) == ("km", "mi")
    assert held["beside"]["last"]["value"] == 10_670
    assert beside["last"]["value"] == pytest.approx(10_670 / 1.609344, abs=0.001)
    assert beside["expected"] > beside["last"]["value"]


def test_a_value_is_taken_in_its_unit_and_asked_about_where_it_falls(
    clerk: APIClient, held: dict[str, object]
) -> None:
    where = address(f"readings/{held['id']}/settle")
    given = {"action": "accept suggestion", "reason": "seen", "value": 6_600, "unit": "mi"}
    send_it = partial(clerk.post, where, format="json", headers={"If-Match": "*"})
    asked = send_it(given)  # 6,600 mi are 10,622 km; the last reading was 10,670 km
    assert (asked.status_code, asked.json()["errors"][0]["code"]) == (409, "question")
    assert asked.json()["errors"][0]["pointer"] == "#/value"
    answer = send_it(given | {"override_reason": "the one before was wrong"}).json()
    assert answer["total_km"] == pytest.approx(6_600 * 1.609344)


def test_settling_needs_the_tag_of_what_was_seen(clerk: APIClient, held: dict[str, object]) -> None:
    where = address(f"readings/{held['id']}/settle")
    given = {"action": "reject", "reason": "asked the driver"}
    assert clerk.post(where, given, format="json").status_code == 428
    assert settle(clerk, held, "reject", '"old"').status_code == 412
    assert not ReadingDecision.objects.exists()


def test_a_decision_that_cannot_be_is_refused_with_a_sentence(
    running: Cast, clerk: APIClient
) -> None:
    accepted = Reading.objects.filter(vehicle=running.van).latest("id")
    answer = settle(clerk, {"id": accepted.pk}, "accept suggestion", "*")
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "fault")


def test_a_number_too_large_for_a_number_is_unreadable(clerk: APIClient) -> None:
    text = json.dumps({"rows": [given(value=1)]}).replace('"value": 1', '"value": 1e999')
    row = clerk.post(READINGS, text, content_type="application/json").json()["rows"][0]
    assert (row["outcome"], row["message"][:7]) == ("unreadable", "value: ")
