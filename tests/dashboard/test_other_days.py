"""A row whose day and month were swapped, or whose year is another: what is asked, and one tap."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from html import unescape

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks

from fleet.people.models import Person
from fleet.readings.beside import Beside, beside
from fleet.readings.models import Upload, UploadRow
from fleet.readings.other_days import _thought_of, other_days
from fleet.vehicles.models import Meter, Vehicle
from tests.cast import Cast
from tests.dashboard.rendered import page

SignedIn = Callable[[Person], Client]
Commits = DjangoCaptureOnCommitCallbacks
# laid out by hand: 700 km a week up to 30 November 2026, then a reading of the next day
STEADY = [
    f"V-301,{date.fromordinal(date(2026, 11, 30).toordinal() - 7 * back)},{60_000 - 700 * back}"
    for back in range(60, -1, -1)
]


@pytest.fixture
def sheet(
    people: Cast, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits
) -> Callable[[str], UploadRow]:
    van = Vehicle.objects.create(
        **{"fleet_number": "V-301", "vehicle_type": people.van_type, "depot": people.plain},
        **{"joined_on": date(2024, 1, 1), "joined_as": "used"},
    )
    Meter.objects.create(vehicle=van)

    def sent(row: str) -> UploadRow:
        text = "\n".join(["vehicle,date,odometer km", *STEADY, row])
        file = SimpleUploadedFile("a.csv", text.encode(), content_type="text/csv")
        with django_capture_on_commit_callbacks(execute=True):
            signed_in(people.clerk).post("/readings/uploads", {"file": file})
        return Upload.objects.get().rows.latest("number")

    with time_machine.travel(datetime(2026, 12, 2, 10, tzinfo=UTC), tick=False):
        yield sent  # type: ignore[misc]


def days_of(row: UploadRow) -> list[tuple[str, date]]:
    assert row.reading is not None
    found = other_days(beside([row.reading.pk]))
    return [(one.slip, one.on) for one in found.get(row.reading.pk, [])]


@pytest.mark.parametrize(
    ("row", "days"),
    [
        ("V-301,2026-01-12,60100", [("day_and_month", date(2026, 12, 1))]),
        ("V-301,2025-12-01,60100", [("year", date(2026, 12, 1))]),
        ("V-301,2026-01-13,60100", []),  # there is no thirteenth month
        ("V-301,2026-03-12,60300", []),  # 3 December is still to come
        ("V-301,2026-01-12,85000", []),  # nor is it likely on the other day
    ],
)
def test_a_value_that_fits_on_the_swapped_day_or_in_another_year_is_asked_about(
    row: str, days: list[tuple[str, date]], sheet: Callable[[str], UploadRow]
) -> None:
    assert days_of(sheet(row)) == days


def test_the_swapped_day_is_one_tap_away_and_the_row_keeps_what_was_said(
    sheet: Callable[[str], UploadRow],
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: Commits,
) -> None:
    row, client = sheet("V-301,2026-01-12,60100"), signed_in(people.supervisor)
    assert row.outcome == "held"
    action = f"/readings/uploads/{row.upload_id}/rows/{row.number}/correct"
    for where in (f"/readings/uploads/{row.upload_id}", "/readings"):
        seen = unescape(page(client, where))
        assert "12 Jan 2026 or 1 Dec 2026?" in seen
        assert "No slip of the pen" not in seen
    html = seen.split("1 Dec 2026?", 1)[1].split("</form>", 1)[0]
    assert f'action="{action}"' in html
    assert 'name="on" value="2026-12-01"' in html
    reason = html.split('name="reason" value="', 1)[1].split('"', 1)[0]
    with django_capture_on_commit_callbacks(execute=True):
        client.post(action, {"on": "2026-12-01", "reason": reason})
    row.refresh_from_db()
    assert row.reading is not None
    assert (row.outcome, row.reading.taken_at.date()) == ("accepted", date(2026, 12, 1))
    assert row.corrections.get().reason == "Day and month may have been swapped."


def test_the_api_names_the_day_too(
    sheet: Callable[[str], UploadRow], people: Cast, signed_in: SignedIn
) -> None:
    row = sheet("V-301,2026-01-12,60100")
    told = signed_in(people.supervisor).get(f"/api/v1/readings/{row.reading_id}").json()
    assert told["beside"]["other_days"] == [
        {
            "on": "2026-12-01",
            "reason": "day_and_month",
            "message": "Day and month may have been swapped.",
        }
    ]


@pytest.mark.parametrize(
    ("on", "value", "to_come", "slips"),
    [
        (date(2026, 1, 12), 700, False, ["day_and_month", "year"]),  # the likeliest first
        (date(2026, 1, 13), 700, False, ["year"]),
        (date(2026, 1, 1), 700, False, ["year"]),  # the same day, swapped
        (date(2026, 1, 12), 100, False, []),  # as likely as can be on its own day, at both ends
        (date(2026, 1, 12), 200, False, []),
        (date(2026, 1, 12), 200.5, False, ["day_and_month", "year"]),
        (date(2026, 1, 12), 150, True, ["day_and_month", "year"]),  # likely, but to come
    ],
)
@time_machine.travel(datetime(2026, 12, 2, 10, tzinfo=UTC), tick=False)
def test_another_day_is_thought_of_only_where_its_own_is_odd(
    on: date, value: float, to_come: bool, slips: list[str]
) -> None:
    at = datetime.combine(on, datetime.min.time(), UTC)
    row = {"meter_value": value, "taken_at": at, "vehicle__depot__zone": "UTC"}
    likely = 150.0, (100.0, 200.0)
    its = Beside("km", None, None, *likely, (), "", None, False, 0.0, 900.0, 1.0, to_come)
    assert [one.slip for _, one in _thought_of(row, its)] == slips
