"""A row of an upload corrected on its page: through the form as it is rendered."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks

from fleet.dashboard.readings.uploads import _only_day
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


@pytest.mark.parametrize(
    ("raw", "on"),
    [
        (["V-1", "2026-03-04 08:11:00", "lots"], date(2026, 3, 4)),
        (["V-1", "2026-03-04", "2026-03-04"], date(2026, 3, 4)),
        (["V-1", "2026-03-04", "2026-03-05"], None),
        (["V-1", "04/03/2026", 5.0], None),
        (["V-1", "20260304", "lots"], None),
    ],
)
def test_only_a_day_without_doubt_is_begun_with(raw: list[object], on: date | None) -> None:
    assert _only_day(UploadRow(raw=json.dumps(raw))) == on


def test_a_row_without_a_vehicle_takes_one(upload: Upload, mend: Callable[..., Any]) -> None:
    mend(3, vehicle="v-102", on=depots_day(), value="5000", unit="km")
    assert str(upload.rows.get(number=3).vehicle) == "V-102"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
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
