import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import chain
from fleet.due.models import DueDate
from fleet.readings.judge import replay_marked
from fleet.readings.models import Reading, VerdictMemory
from fleet.vehicles.models import Alias, Vehicle
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

VAN = address("vehicles/V-101")


@pytest.fixture
def supervisor(running: Cast, call: Caller) -> APIClient:
    return call(running.supervisor)


def change(client: APIClient, given: object, **headers: str) -> object:
    return client.patch(VAN, given, format="json", headers=headers)


def test_a_vehicle_comes_with_all_that_is_known_of_it(supervisor: APIClient) -> None:
    found = supervisor.get(VAN).json()
    # ten readings from 5,000 km, 630 km apart: see the cast
    assert (found["meters"][0]["readings"], found["meters"][0]["total_km"]) == (10, 10_670)
    assert found["duty"][0]["duty_class"] == "normal"
    assert [row["service"] for row in found["due_dates"]] == ["engine-oil"]
    assert (found["depot"], found["status"]) == ("plain", "in use")


@pytest.mark.parametrize("number", ["v-101", " V-101", "OLD 7"])
def test_a_vehicle_answers_to_its_numbers_in_any_case(
    running: Cast, supervisor: APIClient, number: str
) -> None:
    Alias.objects.create(vehicle=running.van, fleet_number="Old 7")
    assert supervisor.get(address(f"vehicles/{number}")).json()["fleet_number"] == "V-101"


def test_of_a_replaced_meter_it_is_told_what_it_shows_itself(
    running: Cast, supervisor: APIClient
) -> None:
    (meter,) = running.van.meters.all()
    first = Reading.objects.filter(meter=meter).earliest("taken_at")
    meter.changes.create(from_at=first.taken_at, offset=50_000, note="invented")
    VerdictMemory.objects.filter(meter=meter).update(to_replay=True)
    replay_marked(timezone.now())
    chain.refresh([running.van.pk], timezone.now())
    (found,) = supervisor.get(VAN).json()["meters"]
    assert (found["total_km"], found["shown_km"], found["shown_h"]) == (60_670, 10_670, None)


@pytest.mark.parametrize(
    ("asked", "shown"),
    [
        ({}, ["V-101", "V-102"]),
        ({"status": "off road"}, ["V-102"]),
        ({"status": ["off road", "in use"]}, ["V-101", "V-102"]),
        ({"vehicle_type": "van"}, ["V-101", "V-102"]),
        ({"vehicle_type": "lorry"}, []),
        ({"depot": "plain"}, ["V-101", "V-102"]),
    ],
)
def test_the_list_can_be_narrowed(
    running: Cast, supervisor: APIClient, asked: dict[str, object], shown: list[str]
) -> None:
    Vehicle.objects.filter(pk=running.second_van.pk).update(status=Vehicle.Status.OFF_ROAD)
    rows = supervisor.get(address("vehicles"), asked).json()["rows"]
    assert [row["fleet_number"] for row in rows] == shown


def test_the_list_shows_the_last_total(supervisor: APIClient) -> None:
    row = supervisor.get(address("vehicles")).json()["rows"][0]
    assert (row["fleet_number"], row["total_km"]) == ("V-101", 10_670)
    assert row["last_reading_at"].endswith("Z")


# --- conditional requests, RFC 9110 sections 13.1.1, 13.1.2, 15.4.5, 15.5.13; RFC 6585 section 3


def test_what_is_wanted_as_it_was_is_not_sent_as_it_is(supervisor: APIClient) -> None:
    tag = supervisor.get(VAN)["ETag"]
    for wanted in (tag, "*", f'"old", {tag}'):
        assert supervisor.get(VAN, headers={"If-Match": wanted}).json()["fleet_number"] == "V-101"
    for wanted in ('"old"', f"W/{tag}"):  # a weak tag matches nothing here
        answer = supervisor.get(VAN, headers={"If-Match": wanted})
        codes = [one["code"] for one in answer.json()["errors"]]
        assert (answer.status_code, codes) == (412, ["changed_meanwhile"])


def test_what_the_caller_has_already_is_not_sent_again(supervisor: APIClient) -> None:
    tag = supervisor.get(VAN)["ETag"]
    again = supervisor.get(VAN, headers={"If-None-Match": tag})
    assert (again.status_code, again.content, again["ETag"]) == (304, b"", tag)


def test_a_change_needs_the_tag_of_what_was_seen(running: Cast, supervisor: APIClient) -> None:
    assert change(supervisor, {"note": "x"}).status_code == 428
    assert change(supervisor, {"note": "x"}, **{"If-Match": '"old"'}).status_code == 412
    assert change(supervisor, {"note": "x"}, **{"If-Match": "nonsense"}).status_code == 412
    running.van.refresh_from_db()
    assert running.van.note == ""


def test_a_change_with_the_right_tag_is_made_and_gives_the_next_tag(
    running: Cast, supervisor: APIClient
) -> None:
    tag = supervisor.get(VAN)["ETag"]
    answer = change(supervisor, {"note": "new mirror"}, **{"If-Match": tag})
    assert (answer.status_code, answer.json()["note"]) == (200, "new mirror")
    assert answer["ETag"] == supervisor.get(VAN)["ETag"] != tag
    assert running.van.history.first().history_user == running.supervisor


def test_of_two_changes_of_the_same_state_the_second_is_refused(supervisor: APIClient) -> None:
    tag = supervisor.get(VAN)["ETag"]
    answers = [change(supervisor, {"note": n}, **{"If-Match": tag}) for n in ("first", "second")]
    assert [answer.status_code for answer in answers] == [200, 412]


def test_due_dates_follow_a_change_at_once(running: Cast, supervisor: APIClient) -> None:
    before = DueDate.objects.get(vehicle=running.van).duty_class
    tag = supervisor.get(VAN)["ETag"]
    answer = change(supervisor, {"declared_use": ["stop-start"]}, **{"If-Match": tag})
    assert (before, answer.json()["due_dates"][0]["duty_class"]) == ("normal", "severe")


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"depot": "hill"}, "#/depot"),
        ({"status": "lost"}, "#/status"),
        ({"note": 5}, "#/note"),
        ({"note": "x" * 301}, "#/note"),
        ({"under_warranty_until_on": "2026-02-30"}, "#/under_warranty_until_on"),
        ({"declared_use": ["racing"]}, "#/declared_use"),
    ],
)
def test_a_change_that_cannot_be_is_refused_with_its_place(
    supervisor: APIClient, given: dict[str, object], pointer: str
) -> None:
    answer = change(supervisor, given, **{"If-Match": "*"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, pointer)
