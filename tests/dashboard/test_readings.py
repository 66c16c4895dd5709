from collections.abc import Callable
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoCaptureOnCommitCallbacks

from fleet import chain
from fleet.people.models import Person
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Reading, ReadingDecision, Source, Upload
from tests.cast import Cast

SignedIn = Callable[[Person], Client]


def sheet() -> SimpleUploadedFile:
    """A good row, a vehicle nobody knows, a value nobody can read."""
    day = timezone.now().date().isoformat()
    text = f"vehicle,date,odometer km\nV-101,{day},10760\nX-9,{day},5\nV-102,{day},lots\n"
    return SimpleUploadedFile("march.csv", text.encode(), content_type="text/csv")


def held(people: Cast) -> Reading:
    now = timezone.now()
    entry = Entry(
        vehicle_id=people.van.pk,
        meter_id=people.van.meters.get().pk,
        taken_at=(now - timedelta(hours=2)).replace(microsecond=0),
        time_known=True,
        value=900,
        unit="km",
    )
    enter([entry], Source.PAGE)
    chain.refresh([people.van.pk], now)
    return Reading.objects.get(value=900, verdict="held")


def test_a_sheet_ends_with_every_row_accounted_for(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client = signed_in(people.clerk)
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post("/readings/uploads", {"file": sheet()}, follow=True)
    one = Upload.objects.get()
    assert one.counts == {"accepted": 1, "unknown vehicle": 1, "unreadable": 1}
    assert answer.redirect_chain[-1][0] == f"/readings/uploads/{one.pk}"
    seen = client.get(f"/readings/uploads/{one.pk}").content.decode()
    assert "row 3" in seen
    assert "row 4" in seen


def test_only_checking_keeps_nothing(people: Cast, signed_in: SignedIn) -> None:
    before = Reading.objects.count()
    given = {"file": sheet(), "dry_run": "on"}
    seen = signed_in(people.clerk).post("/readings/uploads", given).content.decode()
    assert "nothing was kept" in seen
    assert "X-9" in seen
    assert (Reading.objects.count(), Upload.objects.count()) == (before, 0)


def test_a_file_that_is_no_sheet_is_refused_in_words(people: Cast, signed_in: SignedIn) -> None:
    junk = SimpleUploadedFile("photo.xlsx", b"\x89PNG\r\n\x1a\n" + bytes(50))
    given = {"file": junk, "dry_run": "on"}
    answer = signed_in(people.clerk).post("/readings/uploads", given)
    assert "notice-error" in answer.content.decode()


def test_uploading_without_a_file_says_what_to_do(people: Cast, signed_in: SignedIn) -> None:
    answer = signed_in(people.clerk).post("/readings/uploads", {})
    assert "Choose a sheet first" in answer.content.decode()


def test_progress_is_asked_for_until_the_upload_is_done(people: Cast, signed_in: SignedIn) -> None:
    one = Upload.objects.create(name="a.csv", hash="a", size_bytes=1, person=people.clerk)
    client = signed_in(people.clerk)
    address = f"/readings/uploads/{one.pk}/state"
    assert "hx-trigger" in client.get(address).content.decode()
    Upload.objects.filter(pk=one.pk).update(state="done")
    assert "hx-trigger" not in client.get(address).content.decode()


def test_an_upload_of_another_depot_is_not_found(people: Cast, signed_in: SignedIn) -> None:
    one = Upload.objects.create(name="a.csv", hash="a", size_bytes=1, person=people.clerk)
    client = signed_in(people.outsider)
    for address in ("", "/state", ".csv", ".xlsx"):
        assert client.get(f"/readings/uploads/{one.pk}{address}").status_code == 404
    assert "a.csv" not in client.get("/readings").content.decode()


def test_somebody_elses_upload_shows_only_rows_of_ones_own_vehicles(
    people: Cast, signed_in: SignedIn
) -> None:
    one = Upload.objects.create(
        name="a.csv", hash="a", size_bytes=1, person=people.outsider, state="done"
    )
    for number, seen in enumerate((people.van, people.hill_van), start=1):
        one.rows.create(number=number, row=number, raw=f'["{seen}"]', outcome="held", vehicle=seen)
    text = signed_in(people.clerk).get(f"/readings/uploads/{one.pk}.csv").content.decode()
    assert ("V-101" in text, "V-201" in text) == (True, False)


def test_rows_come_back_without_formulas(people: Cast, signed_in: SignedIn) -> None:
    one = Upload.objects.create(name="a.csv", hash="a", size_bytes=1, person=people.clerk)
    one.rows.create(number=1, row=2, raw='["=cmd()", "+1"]', outcome="unreadable")
    text = signed_in(people.clerk).get(f"/readings/uploads/{one.pk}.csv").content.decode()
    assert "'=cmd(),'+1" in text


@pytest.mark.parametrize("who", ["stores", "viewer"])
def test_who_only_looks_uploads_nothing(who: str, people: Cast, signed_in: SignedIn) -> None:
    people.viewer.role = who
    people.viewer.save()
    answer = signed_in(people.viewer).post("/readings/uploads", {"file": sheet()})
    assert (answer.status_code, Upload.objects.count()) == (403, 0)


def test_a_held_reading_is_settled_and_shows_its_new_verdict(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    client = signed_in(people.clerk)
    assert f'id="reading-{reading.pk}"' in client.get("/readings").content.decode()
    answer = client.post(
        f"/readings/{reading.pk}/settle",
        {"action": "reject", "reason": "typing error", "row": "held"},
        headers={"HX-Request": "true"},
    )
    reading.refresh_from_db()
    assert reading.verdict == "rejected"
    assert "typing error" in answer.content.decode()
    assert answer["HX-Trigger"] == "readings-changed"


def test_settling_moves_the_due_date_at_once(people: Cast, signed_in: SignedIn) -> None:
    reading = held(people)
    given = {"action": "accept suggestion", "value": "10,760", "reason": "looked at it"}
    signed_in(people.clerk).post(f"/readings/{reading.pk}/settle", given)
    # the oil change is due at 24,000 km
    assert people.van.due_dates.get().remaining_km == pytest.approx(13_240)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"action": "reject", "reason": " "}, "why"),
        ({"action": "burn", "reason": "x"}, "no decision"),
        ({"action": "accept suggestion", "reason": "x", "value": "12,5,1"}, "field-error"),
    ],
)
def test_a_decision_that_cannot_be_changes_nothing(
    given: dict[str, str], said: str, people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    answer = signed_in(people.clerk).post(
        f"/readings/{reading.pk}/settle", given, headers={"HX-Request": "true"}
    )
    assert said in answer.content.decode()
    assert not ReadingDecision.objects.exists()


@pytest.mark.parametrize(("who", "status"), [("mechanic", 403), ("viewer", 403), ("outsider", 404)])
def test_others_settle_nothing(who: str, status: int, people: Cast, signed_in: SignedIn) -> None:
    reading = held(people)
    answer = signed_in(getattr(people, who)).post(
        f"/readings/{reading.pk}/settle", {"action": "reject", "reason": "x"}
    )
    assert (answer.status_code, ReadingDecision.objects.count()) == (status, 0)


def test_without_held_readings_the_page_says_so(people: Cast, signed_in: SignedIn) -> None:
    seen = signed_in(people.clerk).get("/readings").content.decode()
    assert "No reading is waiting for a decision" in seen


def test_older_uploads_can_be_reached(people: Cast, signed_in: SignedIn) -> None:
    for number in range(7):
        name = f"sheet {number}.csv"
        Upload.objects.create(name=name, hash=name, size_bytes=9, person=people.clerk)
    client = signed_in(people.clerk)
    first = client.get("/readings").content.decode()
    assert ("sheet 6.csv" in first, "sheet 1.csv" in first) == (True, False)
    oldest = Upload.objects.get(name="sheet 2.csv")
    second = client.get(f"/readings?before={oldest.pk}").content.decode()
    assert ("sheet 2.csv" in second, "sheet 1.csv" in second) == (False, True)
    assert f"before={oldest.pk}#" in first
