from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from fleet.dashboard.charts import TRACE_TYPES
from fleet.duty.models import DutyOverride
from fleet.people.models import Person
from fleet.readings.models import Reading
from fleet.vehicles.models import Alias
from tests.cast import Cast

SignedIn = Callable[[Person], Client]


def new_reading(value: str, **changes: str) -> dict[str, str]:
    today = timezone.now().date().isoformat()
    return {"value": value, "unit": "km", "taken_on": today, "taken_time": "", **changes}


def test_a_vehicle_shows_its_services_and_last_reading(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.viewer).get("/vehicles/V-101").content.decode()
    assert "Engine oil" in seen
    assert "10,670" in seen  # 5,000 km and nine weeks of 630 km


def test_a_vehicle_of_another_depot_is_not_found(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.outsider)
    for address in ("", "/chart", "/readings?before=1", "/services/engine-oil/why"):
        assert client.get(f"/vehicles/V-101{address}").status_code == 404


def test_a_fleet_number_is_found_in_any_case_and_by_its_former_name(
    people: Cast, signed_in: SignedIn
) -> None:
    Alias.objects.create(vehicle=people.van, fleet_number="OLD-7")
    client = signed_in(people.viewer)
    for written in ("v-101", " V-101 ", "old-7"):
        answer = client.get("/vehicles", {"fleet_number": written})
        assert answer["Location"] == "/vehicles/V-101"


def test_an_unknown_fleet_number_becomes_a_search(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.viewer).get("/vehicles", {"fleet_number": "V-201"}, follow=True)
    assert "No vehicle of your depots has the fleet number “V-201”" in answer.content.decode()


def test_the_page_says_why_a_service_is_due(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.viewer).get("/vehicles/V-101/services/engine-oil/why").content
    assert b"20,000 km or 12 months, whichever first" in seen


def test_the_chart_holds_readings_a_fan_and_the_limit(people: Cast, signed_in: SignedIn) -> None:
    traces = signed_in(people.viewer).get("/vehicles/V-101/chart").json()["data"]
    assert {trace["type"] for trace in traces} <= TRACE_TYPES
    named = {trace.get("name") for trace in traces}
    assert {"accepted", "expected", "likely (4 in 5)"} <= named
    # done at 4,000 km, every 20,000 km
    assert any("Engine oil at 24,000" in (name or "") for name in named)


def test_a_reading_by_hand_refreshes_the_vehicle_at_once(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.mechanic).post(
        "/vehicles/V-101/readings/add", new_reading("10,760"), follow=True
    )
    assert "accepted; due dates are up to date" in answer.content.decode()
    assert Reading.objects.get(value=10_760).verdict == "accepted"


def test_an_odd_reading_is_held_and_says_why(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.mechanic).post(
        "/vehicles/V-101/readings/add", new_reading("900"), follow=True
    )
    assert Reading.objects.get(value=900).verdict == "held"
    assert "held." in answer.content.decode()


@pytest.mark.parametrize("typed", ["about 10", "10,76.0,1", "10760 mi", ""])
def test_what_is_no_reading_is_refused_and_kept_in_the_form(
    typed: str, people: Cast, signed_in: SignedIn
) -> None:
    answer = signed_in(people.mechanic).post("/vehicles/V-101/readings/add", new_reading(typed))
    assert (answer.status_code, Reading.objects.filter(source="page").count()) == (422, 0)
    assert 'id="add-fault"' in answer.content.decode()


def test_a_viewer_enters_nothing(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.viewer)
    assert "/readings/add" not in client.get("/vehicles/V-101").content.decode()
    answer = client.post("/vehicles/V-101/readings/add", new_reading("10760"))
    assert (answer.status_code, Reading.objects.filter(source="page").count()) == (403, 0)


def severe(people: Cast, **changes: object) -> dict[str, object]:
    today = timezone.now().date()
    return {
        "compartment": people.engine.pk,
        "duty_class": "severe",
        "from_on": today,
        "until_on": today + timedelta(days=90),
        "reason": "tows a trailer",
        **changes,
    }


def test_a_supervisor_sets_a_duty_class_and_due_dates_follow(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.supervisor)
    seen = client.post("/vehicles/V-101/duty", severe(people), follow=True).content.decode()
    assert "tows a trailer" in seen
    assert people.van.due_dates.get().duty_class == "severe"


@pytest.mark.parametrize("changes", [{"until_on": "2020-01-01"}, {"reason": " "}])
def test_a_decision_that_cannot_be_is_refused(
    changes: dict[str, object], people: Cast, signed_in: SignedIn
) -> None:
    answer = signed_in(people.supervisor).post("/vehicles/V-101/duty", severe(people, **changes))
    assert (answer.status_code, DutyOverride.objects.count()) == (422, 0)


@pytest.mark.parametrize("who", ["mechanic", "clerk", "viewer"])
def test_only_a_supervisor_sets_a_duty_class(who: str, people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(getattr(people, who)).post("/vehicles/V-101/duty", severe(people))
    assert (answer.status_code, DutyOverride.objects.count()) == (403, 0)


def test_older_readings_follow_the_first_dozen(people: Cast, signed_in: SignedIn) -> None:
    newest = list(people.van.readings.order_by("-taken_at").values_list("pk", flat=True))
    seen = signed_in(people.viewer).get(f"/vehicles/V-101/readings?before={newest[3]}").content
    assert f'id="reading-{newest[4]}"'.encode() in seen
    assert f'id="reading-{newest[3]}"'.encode() not in seen
