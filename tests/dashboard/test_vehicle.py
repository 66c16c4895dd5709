import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
from django.db.models import F
from django.test import Client
from django.utils import timezone

from fleet import chain
from fleet.dashboard.charts import TRACE_TYPES
from fleet.duty.models import DutyOverride
from fleet.people.models import Person
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, Source
from fleet.vehicles.models import Alias, Vehicle
from tests.cast import Cast, depots_day, vehicle
from tests.dashboard.rendered import page, send

SignedIn = Callable[[Person], Client]


def new_reading(value: str, **changes: str) -> dict[str, str]:
    today = depots_day().isoformat()
    return {"value": value, "unit": "km", "taken_on": today, "taken_time": "", **changes}


def test_a_vehicle_shows_its_services_and_last_reading(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.viewer).get("/vehicles/V-101").content.decode()
    assert "Engine oil" in seen
    assert "10,670" in seen  # 5,000 km and nine weeks of 630 km


def plain(text: str) -> str:
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def replaced(people: Cast) -> Vehicle:
    """A vehicle whose second meter began at nothing after 50,000 km on the first, as invented."""
    now, van = (
        timezone.now().replace(microsecond=0),
        vehicle("V-103", people.plain, people.van_type),
    )
    meter = van.meters.get()
    meter.changes.create(from_at=now - timedelta(weeks=40), offset=50_000, note="invented")
    at = [now - timedelta(days=1, weeks=9 - week) for week in range(10)]
    entries = [
        Entry(van.pk, meter.pk, one, time_known=True, value=630.0 * week, unit="km")
        for week, one in enumerate(at)
    ]
    enter(entries, Source.DEMO)
    chain.refresh([van.pk], now)
    return van


def test_beside_the_total_stands_what_a_replaced_meter_shows(
    people: Cast, signed_in: SignedIn
) -> None:
    """Nine weeks of 630 km: 5,670 km on the second meter."""
    seen, client = replaced(people), signed_in(people.clerk)
    seen.meters.update(unit="mi")  # 50,000 km are 31,069 miles, 5,670 km are 3,523
    last = plain(client.get("/vehicles/V-103").content.decode())
    assert "the meter shows 3,523 mi, 31,069 mi less than the vehicle has run" in last
    assert "the meter shows" not in client.get("/vehicles/V-101").content.decode()


def test_a_total_entered_for_a_replaced_meter_is_told_as_one(
    people: Cast, signed_in: SignedIn
) -> None:
    replaced(people)
    answer = signed_in(people.clerk).post(
        "/vehicles/V-103/readings/add", new_reading("55,760"), follow=True
    )
    said = plain(answer.content.decode())
    assert "the total that the vehicle has run, not what the meter itself" in said
    assert "5,760 km" in said  # of 55,760, what the second meter shows


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


@pytest.mark.parametrize(
    ("part", "title", "says"),
    [
        ("services/engine-oil/why", "Why engine oil is due", "20,000 km or 12 months"),
        ("then", "Forecasts made before", "No forecast with a band is decided yet"),
    ],
)
def test_a_part_of_the_page_opened_alone_is_a_page(
    people: Cast, signed_in: SignedIn, part: str, title: str, says: str
) -> None:
    client = signed_in(people.viewer)
    inside = client.get(f"/vehicles/V-101/{part}", headers={"HX-Request": "true"}).content.decode()
    alone = client.get(f"/vehicles/V-101/{part}").content.decode()
    assert (says in inside, says in alone) == (True, True)
    assert ("<main" in inside, "<main" in alone) == (False, True)
    assert f"<h1>{title}</h1>" in alone
    assert '<a href="/vehicles/V-101">V-101</a>' in alone


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
    assert 'id="refused"' in answer.content.decode()


@pytest.mark.parametrize(
    ("typed", "meant"), [("l0764", "10764"), ("1O,764", "10,764"), ("1076l", "10761")]
)
def test_a_letter_typed_for_a_digit_is_asked_about_and_kept_in_the_form(
    typed: str, meant: str, people: Cast, signed_in: SignedIn
) -> None:
    before = people.van.readings.count()
    client = signed_in(people.clerk)
    answer = send(client, page(client, "/vehicles/V-101"), "/readings/add", value=typed)
    said = unescape(answer.content.decode())
    assert answer.status_code == 422
    assert f"was “{meant}” meant?" in said
    assert f'value="{typed}"' in said
    assert people.van.readings.count() == before


def test_a_viewer_enters_nothing(people: Cast, signed_in: SignedIn) -> None:
    client = signed_in(people.viewer)
    assert "/readings/add" not in client.get("/vehicles/V-101").content.decode()
    answer = client.post("/vehicles/V-101/readings/add", new_reading("10760"))
    assert (answer.status_code, Reading.objects.filter(source="page").count()) == (403, 0)


def severe(people: Cast, **changes: object) -> dict[str, object]:
    today = depots_day()
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


def test_a_vehicle_in_miles_reads_in_miles_everywhere(people: Cast, signed_in: SignedIn) -> None:
    people.van.meters.update(unit="mi")
    people.van.readings.update(unit="mi", value=F("meter_value") / 1.609344)
    client = signed_in(people.supervisor)
    seen = client.get("/vehicles/V-101").content.decode()
    for cell in re.findall(r"\d[\d,.]*\N{NARROW NO-BREAK SPACE}(km|mi)\b", seen):
        assert cell == "mi"
    # 24,000 km less what is on the odometer, in miles of 1.609344 km
    left_mi = people.van.due_dates.get().remaining_km / 1.609344
    assert f"{left_mi:,.0f}\N{NARROW NO-BREAK SPACE}mi left" in seen
    assert f"{left_mi:,.0f}\N{NARROW NO-BREAK SPACE}mi left" in client.get("/due").content.decode()
    chart = client.get("/vehicles/V-101/chart").json()
    last = people.van.readings.latest("taken_at")
    assert max(max(trace["y"]) for trace in chart["data"] if trace.get("name") == "accepted") == (
        pytest.approx(last.total / 1.609344)
    )
    why = client.get("/vehicles/V-101/services/engine-oil/why").content.decode()
    assert " mi a day" in why
    assert " km" not in why


def test_a_total_typed_in_the_vehicles_unit_is_stored_in_km(
    people: Cast, signed_in: SignedIn
) -> None:
    people.van.meters.update(unit="mi")
    client = signed_in(people.supervisor)
    page = client.get("/vehicles/V-101").content.decode()
    assert "or until total [mi]" in page
    given = {"service": "engine-oil", "until_km": "15,000", "unit": "mi", "reason": "parts late"}
    client.post("/vehicles/V-101/defer", given)
    row = people.van.deferrals.get()
    assert row.until_km == pytest.approx(15_000 * 1.609344)


def test_a_vehicle_with_engine_hours_only_reads_in_hours(people: Cast, signed_in: SignedIn) -> None:
    machine = vehicle("M-1", people.plain, people.van_type)
    machine.meters.all().delete()
    meter, now = machine.meters.create(kind="hours", unit="h"), timezone.now()
    entries = [
        Entry(machine.pk, meter.pk, (now - timedelta(days=70 - 7 * week)).replace(microsecond=0),
              True, 100 + 30.5 * week, "h")
        for week in range(10)
    ]  # fmt: skip
    enter(entries, Source.PAGE)
    chain.refresh([machine.pk], now)
    client = signed_in(people.clerk)
    seen = client.get("/vehicles/M-1").content.decode()
    assert "<strong>374.5\N{NARROW NO-BREAK SPACE}h</strong>" in seen  # 100 + 9 × 30.5
    assert '<option value="h" selected>' in seen
    chart = client.get("/vehicles/M-1/chart").json()
    (accepted,) = [trace for trace in chart["data"] if trace.get("name") == "accepted"]
    assert max(accepted["y"]) == 374.5
