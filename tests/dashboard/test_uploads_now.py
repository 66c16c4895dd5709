"""An upload after people decided on its rows: what was then, and what is open now."""

import csv
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks
from python_calamine import load_workbook

from fleet import jobs
from fleet.dashboard.readings.uploads import cells, outcome_words
from fleet.people.models import Person
from fleet.readings import report
from fleet.readings.models import Reading, Upload, UploadRow
from fleet.runs import ledger
from tests.cast import Cast, depots_day
from tests.dashboard.rendered import form
from tests.dashboard.test_readings import held, sent

SignedIn = Callable[[Person], Client]


def uploaded(client: Client, take: DjangoCaptureOnCommitCallbacks, text: str) -> Upload:
    file = SimpleUploadedFile("a.csv", text.encode(), content_type="text/csv")
    with take(execute=True):
        client.post("/readings/uploads", {"file": file})
    return Upload.objects.get()


def plain(text: str) -> str:
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_the_list_says_of_a_withdrawn_upload_that_it_is(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, take = signed_in(people.clerk), django_capture_on_commit_callbacks
    one = uploaded(client, take, f"vehicle,date,odometer km\nV-101,{depots_day()},900\n")
    state, outcome = 'data-label="State">', one.rows.get().outcome
    assert f"{state}done</td>" in client.get("/readings").content.decode()
    client.post(f"/readings/uploads/{one.pk}/withdraw", {"reason": "another depot's"})
    listed = client.get("/readings").content.decode()
    assert f"{state}withdrawn</td>" in listed
    assert "your last sheet, was withdrawn." in " ".join(listed.split())
    assert f"1 {outcome}</span>" in listed  # and not that somebody looked at it
    assert client.get("/api/v1/uploads").json()["rows"][0]["withdrawn_at"] is not None


def test_after_a_decision_an_upload_says_what_was_then_and_what_is_open_now(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    take = django_capture_on_commit_callbacks
    one = uploaded(client, take, f"vehicle,date,odometer km\nV-101,{day},900\n")
    where, row = f"/readings/uploads/{one.pk}", one.rows.get()
    outcome = row.outcome
    assert outcome in ("held", "rejected")
    assert row.reading is not None
    assert "none now" not in client.get("/readings").content.decode()
    seen = client.get("/readings").content.decode() + client.get(where).content.decode()
    here = re.findall(r'class="here" name="here" value="([^"]+)"', seen)
    named = [f"upload-outcome-{one.pk}", f"upload-totals-{one.pk}", f"row-now-{row.pk}"]
    assert set(named) <= set(here)
    given = {"reason": "seen", "row": "held", "unit": "km", "action": "right value"}
    said = client.post(
        f"/readings/{row.reading.pk}/settle",
        {**given, "value": "10,700", "here": named},
        headers={"HX-Request": "true"},
    ).content.decode()
    assert [name for name in (*named, "said") if f'id="{name}"' in said] == named
    page = plain(client.get(where).content.decode())
    assert f"{outcome}<span" in page
    first = f'<span class="quiet small">Said first: {row.message}</span>'
    assert row.message
    assert first in page
    assert "take another value, 10,700 km taken" in page
    (told,) = client.get(f"/api/v1/uploads/{one.pk}/rows").json()["rows"]
    assert (told["message"], told["now"]) == (
        row.message,
        "accepted: settled, take another value (seen).",
    )
    told_first = [told["now"], row.message]
    csv_file = client.get(f"{where}.csv").content.decode("utf-8-sig")
    (told,) = csv.DictReader(csv_file.splitlines())
    assert told["Vehicle"] == "V-101"
    xlsx_file = load_workbook(BytesIO(client.get(f"{where}.xlsx").content))
    streamed = client.get(f"/api/v1/uploads/{one.pk}/rows", headers={"accept": "text/csv"})
    for heads, line in (
        list(csv.reader(csv_file.splitlines())),
        xlsx_file.get_sheet_by_index(0).to_python(),
        list(csv.reader(streamed.getvalue().decode().splitlines())),
    ):
        at = [name.lower() for name in heads if name].index("now")
        assert heads[at + 1] in ("Said first", "message")
        assert line[at - 1 : at + 2] == [outcome, *told_first]
    assert "<strong>accepted now</strong>" in page
    assert "none now" in page if outcome == "held" else "all looked at" in page
    assert '<strong>10,700 km</strong> <span class="quiet">taken; 900 km sent' in page
    assert f"1 {outcome}" in client.get("/readings").content.decode()


def test_what_was_said_first_is_said_once(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    take = django_capture_on_commit_callbacks
    one = uploaded(client, take, f"vehicle,date,odometer km\nV-101,{day},900\n")
    row, where = one.rows.get(), f"/readings/uploads/{one.pk}"
    assert row.reading is not None
    assert row.message != ""
    # a later reading had the verdict changed: at the row, as its reading says what it is now
    other = {"held": "rejected", "rejected": "held"}[row.outcome]
    Reading.objects.filter(pk=row.reading_id).update(verdict=other)
    seen = plain(client.get(where).content.decode())
    assert f"<strong>{other} now</strong>" in seen
    assert seen.count(f"Said first: {row.message}") == 1
    # once somebody decided, at the reading
    sent(client, row.reading, action="reject")
    seen = plain(client.get(where).content.decode())
    assert seen.count("Said first:") == 1


def test_what_stands_now_is_told_however_many_rows_are_read_at_once(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    client, take = signed_in(people.clerk), django_capture_on_commit_callbacks
    day = depots_day()
    one = uploaded(client, take, f"vehicle,date,odometer km\nV-101,{day},900\nV-999,{day},1\n")
    Reading.objects.update(verdict="accepted", reason="")
    monkeypatch.setattr(report, "ROWS_AT_ONCE", 1)
    told = [(row["outcome"], told.now) for row, told in report.with_now(one.rows.all())]
    was = one.rows.earliest("number").outcome
    assert told == [(was, "accepted: Nothing is odd about it."), ("unknown vehicle", "")]


def test_what_an_entry_was_told_goes_once_it_is_settled_on_the_page_of_its_vehicle(
    people: Cast, signed_in: SignedIn
) -> None:
    client, where = signed_in(people.clerk), "/vehicles/V-101"
    action, fields = form(client.get(where).content.decode(), 'name="value"')
    seen = client.post(action, {**fields, "value": "1070"}, follow=True).content.decode()
    assert re.search(r'<li class="notice notice-warning">\s*1,070.km (held|rejected)\.', seen)
    here = re.findall(r'class="here" name="here" value="([^"]+)"', seen)
    assert "said" in here
    action, fields = form(seen, 'name="meant"')
    tap = re.findall(r'name="meant" value="([^"]+)"', seen)[0]
    sent = {**fields, "meant": tap, "here": here}
    answer = client.post(action, sent, headers={"HX-Request": "true"}).content.decode()
    assert "accepted</span>" in answer
    assert '<ul id="said" hx-swap-oob="delete">' in answer


@pytest.mark.parametrize(
    ("counts", "still", "told"),
    [
        ({"accepted": 41}, {"held": 0, "rejected": 0}, "41 accepted"),
        ({"held": 4}, {"held": 0, "rejected": 0}, "4 held then, none now"),
        (
            {"accepted": 2, "held": 4, "rejected": 1},
            {"held": 3, "rejected": 1},
            "2 accepted; 4 held then, 3 now; 1 rejected, 1 not looked at",
        ),
    ],
)
def test_counts_are_history_with_what_is_open_beside_them(
    counts: dict[str, int], still: dict[str, int], told: str
) -> None:
    assert outcome_words(counts, still) == told


def test_rejected_rows_that_nobody_looked_at_are_named_until_somebody_did(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    take = django_capture_on_commit_callbacks
    one = uploaded(client, take, f"vehicle,date,odometer km\nV-101,{day},900\n")
    row = one.rows.get()
    row.outcome = "rejected"
    row.save()
    Reading.objects.filter(pk=row.reading_id).update(verdict="rejected")
    link = f'href="/readings/uploads/{one.pk}?outcome=rejected"'
    assert link in client.get("/readings").content.decode()
    assert "It stays rejected" in client.get(f"/readings/uploads/{one.pk}").content.decode()
    assert row.reading is not None
    sent(client, row.reading, action="reject")
    assert link not in client.get("/readings").content.decode()


def test_an_accepted_row_in_miles_says_how_many_km_it_counts_as(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    take = django_capture_on_commit_callbacks
    one = uploaded(client, take, f"vehicle,date,odometer mi\nV-101,{day},6686\n")
    assert one.rows.get().outcome == "accepted"
    page = plain(client.get(f"/readings/uploads/{one.pk}?outcome=accepted").content.decode())
    assert "counts as 10,760 km" in page  # by hand: 6,686 x 1.609344


def test_many_that_are_settled_together_name_each_that_is_left_with_the_way_to_it(
    people: Cast, signed_in: SignedIn
) -> None:
    """A value that stands between its neighbours is accepted; of 900 km, nothing was suggested."""
    reading = held(people)
    Reading.objects.filter(pk=reading.pk).update(reason="noted_late", suggestion=None)
    client = signed_in(people.clerk)
    assert '<span class="quiet">(needed, but for a tap' in client.get("/readings").content.decode()
    given = {"reading": reading.pk, "reason": "seen", "action": "accept suggestion"}
    seen = client.post("/readings/settle", given, follow=True).content.decode()
    notice = seen.split('class="notice notice-warning">', 1)[1].split("</li>", 1)[0]
    assert re.match(r"V-101, 900 km of .* was left: This reading comes without a sugg", notice)
    assert f'<a href="/vehicles/V-101#reading-{reading.pk}">Look at it</a>' in notice
    assert f'id="reading-{reading.pk}"' in client.get("/vehicles/V-101").content.decode()
    assert "Settled" not in seen


def test_rows_that_were_there_already_are_listed_only_where_they_are_asked_for(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    take, row = django_capture_on_commit_callbacks, f"V-101,{day},10760"
    uploaded(client, take, f"vehicle,date,odometer km\n{row}\n")
    Upload.objects.update(name="first.csv")
    again = SimpleUploadedFile("b.csv", f"vehicle,date,odometer\n{row}\n".encode())
    with take(execute=True):
        client.post("/readings/uploads", {"file": again})
    second = Upload.objects.latest("pk")
    assert second.rows.get().outcome == "repeated"
    seen = client.get(f"/readings/uploads/{second.pk}").content.decode()
    assert "No row wants a look: each was accepted, or was there already." in seen
    assert "?outcome=repeated" in seen
    asked = client.get(f"/readings/uploads/{second.pk}?outcome=repeated").content.decode()
    assert "row 2" in asked.split('<ul class="rows">', 1)[1]


def test_a_row_that_only_its_sender_sees_is_never_said_to_be_none(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    clerk, day = signed_in(people.clerk), depots_day()
    text = f"vehicle,date,odometer km\nX-9,{day},5\nV-101,{day},10760\n"
    one = uploaded(clerk, django_capture_on_commit_callbacks, text)
    where, asked = f"/readings/uploads/{one.pk}", "?outcome=unknown+vehicle"
    assert "row 2" in clerk.get(where).content.decode()
    other = signed_in(people.supervisor)
    for page in (where, where + asked):
        seen = " ".join(other.get(page).content.decode().split())
        assert "1 row counted here is not shown to you" in seen
        assert "No row" not in seen
    assert "No row ended as unreadable" in other.get(f"{where}?outcome=unreadable").content.decode()


def test_whole_numbers_of_a_sheet_are_told_as_whole() -> None:
    """A spreadsheet hands every number over with a fraction."""
    row = UploadRow(raw='["201", "2026-11-06", 89815.0, 1.5]')
    assert cells(row.raw) == ["201", "2026-11-06", "89815", "1.5"]


def test_a_sheet_that_no_worker_has_taken_says_since_when_it_waits(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.clerk)
    client.post("/readings/uploads", {"file": SimpleUploadedFile("a.csv", b"vehicle,km\n")})
    one = Upload.objects.get()
    Upload.objects.update(received_at=datetime(2026, 1, 9, 7, 9, tzinfo=UTC))  # 08:09 in Berlin
    said = client.get(f"/readings/uploads/{one.pk}/state").content.decode()
    assert "Waiting for its turn since 9 Jan 2026, 08:09." in said
    assert "rows read so far" not in said
    answer = " ".join(client.get("/readings").content.decode().split())
    assert "waits for its turn since 9 Jan 2026, 08:09" in answer
    assert "is being worked" not in answer
    assert "received, waiting for its turn<" in answer
    ledger.claim(jobs.UPLOAD, date(2026, 1, 9), str(one.pk))
    said = client.get(f"/readings/uploads/{one.pk}/state").content.decode()
    assert "0 rows read so far" in said
    assert "aiting for its turn" not in said + client.get("/readings").content.decode()
