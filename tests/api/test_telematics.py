import pytest
from rest_framework.test import APIClient

from fleet.readings.models import Reading, Source
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast

AT = "2026-03-02T12:00:00Z"


@pytest.fixture
def clerk(people: Cast, call: Caller) -> APIClient:
    return call(people.clerk)


def send(client: APIClient, **frame: object) -> list[dict[str, object]]:
    body = {"frames": [{"vehicle": "V-101", "taken_at": AT, **frame}]}
    answer = client.post(address("readings/telematics"), body, format="json")
    assert answer.status_code == 200, answer.content
    return answer.json()["rows"]


# values: SAE J1939-71 resolutions as quoted in a fleet gateway's manual; a public table of PIDs
@pytest.mark.parametrize(
    ("frame", "value", "unit"),
    [
        ({"protocol": "j1939", "spn": 245, "bytes": "00 35 0C 00"}, 100_000.0, "km"),
        ({"protocol": "j1939", "spn": 917, "bytes": "9D C2 78 01"}, 123_456.785, "km"),
        ({"protocol": "j1939", "spn": 247, "bytes": "CD AC 02 00"}, 8765.45, "h"),
        ({"protocol": "obd2", "bytes": "41 A6 00 0F 42 40"}, 100_000.0, "km"),
    ],
)
def test_bytes_become_a_reading(
    clerk: APIClient, frame: dict[str, object], value: float, unit: str
) -> None:
    (row,) = send(clerk, **frame)
    stored = Reading.objects.get(pk=row["reading"])
    assert (stored.value, stored.unit, stored.source) == (value, unit, Source.TELEMATICS)
    assert row["outcome"] == "accepted"


def test_a_machines_record_can_carry_two_meters(clerk: APIClient) -> None:
    record = {
        "Distance": {"datetime": AT, "OdometerUnits": "kilometre", "Odometer": 5267},
        "CumulativeOperatingHours": {"datetime": AT, "Hour": 812.5},
    }
    rows = send(clerk, protocol="iso15143", record=record)
    assert [(row["index"], row["outcome"]) for row in rows] == [(0, "accepted")] * 2
    stored = set(Reading.objects.values_list("meter__kind", "value"))
    assert stored == {("km", 5267.0), ("hours", 812.5)}


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        ({"protocol": "j1939", "spn": 245, "bytes": "FF FF FF FF"}, "no value at present"),
        ({"protocol": "j1939", "spn": 245, "bytes": "00 00 00 FE"}, "reports a fault"),
        ({"protocol": "j1939", "spn": 99, "bytes": "00 00 00 00"}, "SPN 99 is no meter"),
        ({"protocol": "j1939", "bytes": "00 00 00 00"}, "needs spn"),
        ({"protocol": "obd2", "bytes": "xyz"}, "hexadecimal"),
        ({"protocol": "obd2"}, "needs bytes"),
        ({"protocol": "can", "bytes": "00"}, "protocol: "),
        ({"protocol": "iso15143", "record": {"Distance": 5}}, "Distance"),
        ({"protocol": "obd2", "bytes": "000F4240", "speed": 9}, "no speed"),
    ],
)
def test_a_frame_without_a_reading_says_why(
    clerk: APIClient, frame: dict[str, object], says: str
) -> None:
    (row,) = send(clerk, **frame)
    assert row["outcome"] == "unreadable"
    assert says in row["message"]
    assert not Reading.objects.exists()


def test_a_frame_needs_a_time_from_somewhere(clerk: APIClient) -> None:
    body = {"frames": [{"vehicle": "V-101", "protocol": "obd2", "bytes": "000F4240"}]}
    answer = clerk.post(address("readings/telematics"), body, format="json")
    assert "carries no time" in answer.json()["rows"][0]["message"]
