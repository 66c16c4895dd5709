"""A row of an upload corrected on its page: through the form as it is rendered."""

from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks

from fleet.people.models import Person
from fleet.readings.models import Upload, UploadRow
from tests.cast import Cast, depots_day
from tests.dashboard.rendered import form, page, send

SignedIn = Callable[[Person], Client]
Commits = DjangoCaptureOnCommitCallbacks


@pytest.fixture
def upload(
    people: Cast, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits
) -> Upload:
    """A row of last year, one that nobody can read, one that names no vehicle, and a good one."""
    day = depots_day()
    last = day - timedelta(days=365)
    rows = (f"V-101,{last},10760", f"V-102,{day},lots", f",{day},5000", f"V-101,{day},10765")
    text = "\n".join(["vehicle,date,odometer km", *rows])
    sheet = SimpleUploadedFile("march.csv", text.encode(), content_type="text/csv")
    with django_capture_on_commit_callbacks(execute=True):
        signed_in(people.clerk).post("/readings/uploads", {"file": sheet})
    return Upload.objects.get()


@pytest.fixture
def mend(
    people: Cast, upload: Upload, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits
) -> Callable[..., Any]:
    def sent(number: int, outcome: str = "", **typed: Any) -> Any:
        client = signed_in(people.clerk)
        html = page(client, f"/readings/uploads/{upload.pk}?outcome={outcome}")
        with django_capture_on_commit_callbacks(execute=True):
            return send(client, html, f"rows/{number}/correct", **typed)

    return sent


def test_an_unreadable_row_takes_the_right_value_and_says_what_it_was(
    people: Cast, upload: Upload, mend: Callable[..., Any], signed_in: SignedIn
) -> None:
    answer = mend(2, on=depots_day(), value="10,760.5")
    assert (answer.status_code, answer["Location"]) == (302, f"/readings/uploads/{upload.pk}")
    row = upload.rows.get(number=2)
    assert row.reading is not None
    assert (row.outcome, row.reading.value, row.reading.unit) == ("accepted", 10_760.5, "km")
    client = signed_in(people.clerk)
    seen = unescape(page(client, f"/readings/uploads/{upload.pk}?outcome=accepted"))
    assert "by Cleo; until then: C3 is no number. “lots” is not a number" in seen
    assert "V-102" in seen
    assert "· lots" in seen


def test_only_a_row_of_no_vehicle_is_asked_for_one(
    people: Cast, upload: Upload, signed_in: SignedIn
) -> None:
    html = page(signed_in(people.clerk), f"/readings/uploads/{upload.pk}")
    asked = {number: "vehicle" in form(html, f"rows/{number}/correct")[1] for number in (2, 3)}
    assert asked == {2: False, 3: True}  # the third names none


@pytest.mark.parametrize(("typed", "meant"), [("l0760", 10_760), ("1076l", 10_761)])
def test_a_letter_typed_for_a_digit_in_a_sheet_is_asked_about_and_stands_in_the_form(
    typed: str,
    meant: int,
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: Commits,
) -> None:
    day, client = depots_day(), signed_in(people.clerk)
    text = f"vehicle,date,odometer km\nV-102,{day},{typed}\n"
    sheet = SimpleUploadedFile("april.csv", text.encode(), content_type="text/csv")
    with django_capture_on_commit_callbacks(execute=True):
        client.post("/readings/uploads", {"file": sheet})
    row = UploadRow.objects.get()
    asked = f"C2 seems to be mistyped. “{typed}” holds the letter l: was “{meant}” meant?"
    assert (row.outcome, row.message, row.reading) == ("unreadable", asked, None)
    html = page(client, f"/readings/uploads/{row.upload_id}")
    assert asked in unescape(html)
    assert form(html, "rows/1/correct")[1]["value"] == typed
    with django_capture_on_commit_callbacks(execute=True):
        send(client, html, "rows/1/correct", value=str(meant))
    row.refresh_from_db()
    assert row.reading is not None
    assert (row.outcome, row.reading.value) == ("accepted", meant)


def test_a_row_of_the_wrong_year_takes_the_right_day(
    upload: Upload, mend: Callable[..., Any]
) -> None:
    assert upload.rows.get(number=1).outcome != "accepted"
    mend(1, on=depots_day(), reason="the driver wrote last year")
    row = upload.rows.get(number=1)
    assert row.reading is not None
    assert (row.reading.value, row.reading.taken_at.date()) == (10_760, depots_day())


def test_an_accepted_row_is_corrected_in_the_list_of_those(
    people: Cast, upload: Upload, mend: Callable[..., Any], signed_in: SignedIn
) -> None:
    html = page(signed_in(people.clerk), f"/readings/uploads/{upload.pk}?outcome=accepted")
    _, fields = form(html, "rows/4/correct")
    assert (fields["on"], fields["value"], fields["unit"]) == (str(depots_day()), "10765", "km")
    answer = mend(4, "accepted", value="10766", reason="misread")
    assert answer["Location"] == f"/readings/uploads/{upload.pk}?outcome=accepted"
    row = upload.rows.get(number=4)
    assert row.reading is not None
    assert (row.outcome, row.reading.value) == ("accepted", 10_766)
    again = unescape(page(signed_in(people.clerk), answer["Location"]))
    assert f"until then: 10,765 km on {depots_day().day}" in again
    assert "accepted; misread." in again


def test_the_form_of_a_row_without_a_number_begins_with_its_day(
    people: Cast, upload: Upload, signed_in: SignedIn
) -> None:
    html = page(signed_in(people.clerk), f"/readings/uploads/{upload.pk}")
    _, fields = form(html, "rows/2/correct")
    assert (fields["on"], fields["value"]) == (str(depots_day()), "")


@pytest.fixture
def timed(people: Cast, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits) -> Upload:
    """One row that nobody can read and a good one, both with the time of day."""
    day = depots_day() - timedelta(days=1)
    rows = (f"V-102,{day} 08:11,lots", f"V-101,{day} 08:11:30,10765")
    text = "\n".join(["vehicle,date,odometer km", *rows])
    sheet = SimpleUploadedFile("times.csv", text.encode(), content_type="text/csv")
    with django_capture_on_commit_callbacks(execute=True):
        signed_in(people.clerk).post("/readings/uploads", {"file": sheet})
    return Upload.objects.get()


def clock(upload: Upload, number: int) -> tuple[str, bool]:
    """Time of day of the reading of a row by the clock of its depot, and whether it is known."""
    reading = upload.rows.get(number=number).reading
    assert reading is not None
    local = reading.taken_at.astimezone(ZoneInfo(reading.vehicle.depot.zone))
    return f"{local:%H:%M:%S}", reading.time_known


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ({}, ("08:11:00", True)),
        ({"at": "17:05"}, ("17:05:00", True)),
        ({"at": ""}, ("12:00:00", False)),
    ],
)
def test_the_form_of_a_row_with_a_time_begins_with_it_and_stores_what_is_chosen(
    people: Cast, timed: Upload, signed_in: SignedIn, typed: dict[str, str],
    stored: tuple[str, bool], django_capture_on_commit_callbacks: Commits,
) -> None:  # fmt: skip
    client = signed_in(people.clerk)
    html = page(client, f"/readings/uploads/{timed.pk}")
    assert form(html, "rows/1/correct")[1]["at"] == "08:11"
    with django_capture_on_commit_callbacks(execute=True):
        send(client, html, "rows/1/correct", value="10,760", **typed)
    assert clock(timed, 1) == stored


def test_a_reading_keeps_its_time_to_the_second_where_only_its_value_was_wrong(
    people: Cast, timed: Upload, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits
) -> None:
    client = signed_in(people.clerk)
    html = page(client, f"/readings/uploads/{timed.pk}?outcome={timed.rows.get(number=2).outcome}")
    assert form(html, "rows/2/correct")[1]["at"] == "08:11:30"
    with django_capture_on_commit_callbacks(execute=True):
        send(client, html, "rows/2/correct", value="10,766", reason="misread")
    assert clock(timed, 2) == ("08:11:30", True)


def test_a_row_without_a_vehicle_takes_one(upload: Upload, mend: Callable[..., Any]) -> None:
    mend(3, vehicle="v-102", on=depots_day(), value="5000", unit="km")
    assert str(upload.rows.get(number=3).vehicle) == "V-102"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"on": "2026-01-02", "value": "5", "at": "noon"}, "“noon” is no time of day"),
        ({"on": "soon"}, "“soon” is not a date: write it as 2026-03-31."),
        ({"on": "2026-01-02", "value": "many"}, "“many” is not a number"),
        ({"on": "2026-01-02", "value": ""}, "give the value"),
        ({"on": "2999-01-02", "value": "5"}, "still to come"),
    ],
)
def test_what_is_refused_stands_at_the_row_as_it_was_typed(
    upload: Upload, mend: Callable[..., Any], typed: dict[str, str], said: str
) -> None:
    answer = mend(2, **typed, reason="as on the sheet")
    html = unescape(answer.content.decode())
    assert (answer.status_code, said in html) == (422, True)
    _, fields = form(html, "rows/2/correct")
    assert (fields["on"], fields["reason"]) == (typed["on"], "as on the sheet")
    assert upload.rows.get(number=2).outcome == UploadRow.Outcome.UNREADABLE


def test_a_vehicle_that_is_not_ones_own_is_refused(
    upload: Upload, mend: Callable[..., Any]
) -> None:
    answer = mend(3, vehicle="V-201", on=depots_day(), value="5000", unit="km")
    assert "There is no vehicle “V-201” in your depots." in answer.content.decode()


def test_who_may_not_correct_is_offered_nothing(
    people: Cast, upload: Upload, signed_in: SignedIn
) -> None:
    where = f"/readings/uploads/{upload.pk}?outcome=accepted"
    assert "rows/4/correct" not in page(signed_in(people.viewer), where)
    assert "rows/4/correct" not in page(signed_in(people.mechanic), where)
    given = {"value": 10_766, "reason": "so"}
    answer = signed_in(people.mechanic).post(f"/readings/uploads/{upload.pk}/rows/4/correct", given)
    assert answer.status_code == 403
