import re
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
from fleet.readings.models import Reading, ReadingDecision, Source, Upload, UploadRow
from tests.cast import Cast, depots_day
from tests.dashboard.rendered import form

SignedIn = Callable[[Person], Client]


def sheet() -> SimpleUploadedFile:
    """A good row, a vehicle nobody knows, a value nobody can read."""
    day = depots_day().isoformat()
    text = f"vehicle,date,odometer km\nV-101,{day},10760\nX-9,{day},5\nV-102,{day},lots\n"
    return SimpleUploadedFile("march.csv", text.encode(), content_type="text/csv")


def held(people: Cast, value: float = 900) -> Reading:
    now = timezone.now()
    entry = Entry(
        vehicle_id=people.van.pk,
        meter_id=people.van.meters.get().pk,
        taken_at=(now - timedelta(hours=2)).replace(microsecond=0),
        time_known=True,
        value=value,
        unit="km",
    )
    enter([entry], Source.PAGE)
    chain.refresh([people.van.pk], now)
    return Reading.objects.get(value=value, verdict="held")


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


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("vehicle,date,engine hours\nV-101,{day},120\n", "Every row would be accepted"),
        ('vehicle,date,km\nV-101,{day},"5\nV-102,{day},6\n', "Line 2 opens a quotation mark"),
        ("vehicle,date,km,{brackets}\nV-101,{day},10760,\n", "Every row would be accepted"),
    ],
)
def test_sheets_that_once_stopped_the_page_are_answered_at_once(
    text: str, said: str, people: Cast, signed_in: SignedIn
) -> None:
    given = text.format(day=depots_day().isoformat(), brackets="(" * 25_000)
    file = SimpleUploadedFile("a.csv", given.encode(), content_type="text/csv")
    answer = signed_in(people.clerk).post("/readings/uploads", {"file": file, "dry_run": "on"})
    assert said in answer.content.decode()


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


def sent(client: Client, reading: Reading, **given: str) -> str:
    answer = client.post(
        f"/readings/{reading.pk}/settle",
        {"reason": "looked at it", "row": "held", "unit": "km", "value": "", **given},
        headers={"HX-Request": "true"},
    )
    return answer.content.decode().replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_a_held_card_shows_neighbours_a_chart_and_what_may_have_been_meant(
    people: Cast, signed_in: SignedIn
) -> None:
    held(people)  # 900 km; yesterday 10,690 were read
    seen = signed_in(people.clerk).get("/readings").content.decode()
    assert "small-chart" in seen
    last = people.van.readings.filter(verdict="accepted").latest("taken_at")
    assert f"{last.total:,.0f}\N{NARROW NO-BREAK SPACE}km on" in seen
    assert "<dt>expected</dt>" in seen
    assert 'name="meant"' in seen


def test_one_tap_takes_what_may_have_been_meant_and_shows_it(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    client = signed_in(people.clerk)
    value = re.findall(r'name="meant" value="([^"]+)"', client.get("/readings").content.decode())[0]
    said = sent(client, reading, meant=value)
    reading.refresh_from_db()
    assert (reading.verdict, reading.total) == ("accepted", float(value))
    assert f"{float(value):,.0f} km taken" in said


def test_a_tap_needs_no_reason_and_keeps_the_words_of_what_was_tapped(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)  # 900 km after 10,690 km
    client = signed_in(people.clerk)
    seen = client.get("/readings").content.decode()
    tap = r'<button type="submit" name="meant" value="([^"]+)" title="([^"]+)" formnovalidate>'
    value, because = re.findall(tap, seen)[0]
    where, fields = form(seen, 'name="meant"')
    assert fields["reason"] == ""
    answer = client.post(where, {**fields, "meant": value}, headers={"HX-Request": "true"})
    decision = ReadingDecision.objects.get()
    assert (decision.reading, decision.value, decision.reason) == (reading, float(value), because)
    shown = answer.content.decode().replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert f"<strong>{float(value):,.0f} km</strong>" in shown
    assert "taken; 900 km sent" in shown
    assert "<strong>900 km</strong>" not in shown


def test_the_first_words_speak_of_what_is_offered(people: Cast, signed_in: SignedIn) -> None:
    held(people)
    Reading.objects.filter(value=900).update(reason="noted_late", suggestion=None)
    seen = signed_in(people.clerk).get("/readings").content.decode()
    _, because = re.findall(r'name="meant" value="([^"]+)" title="([^"]+)"', seen)[0]
    said = because[:1].lower() + because[1:]
    assert "an older reading under a later date. Or another value was meant, such as" in seen
    assert said in seen


def test_a_replaced_meter_brings_the_other_held_cards_of_the_vehicle_up_to_date(
    people: Cast, signed_in: SignedIn
) -> None:
    """Two readings of a new meter, a day apart: one decision settles both."""
    first, now = held(people), timezone.now()
    entry = Entry(
        vehicle_id=people.van.pk,
        meter_id=first.meter_id,
        taken_at=(now - timedelta(minutes=10)).replace(microsecond=0),
        time_known=True,
        value=903,
        unit="km",
    )
    enter([entry], Source.PAGE)
    chain.refresh([people.van.pk], now)
    second = Reading.objects.get(value=903)
    assert second.verdict == "held"
    said = sent(signed_in(people.clerk), first, action="meter replaced")
    second.refresh_from_db()
    assert second.verdict == "accepted"
    other = said.split(f'<li id="reading-{second.pk}"', 1)[1]
    assert 'hx-swap-oob="true"' in other.split(">", 1)[0]
    assert "Settled by the decision on 900 km" in other
    assert "The meter was replaced</button>" not in other


def test_the_field_takes_the_vehicles_own_unit(people: Cast, signed_in: SignedIn) -> None:
    reading = held(people)
    people.van.meters.update(unit="mi")
    client = signed_in(people.clerk)
    assert "Right value [mi]" in client.get("/readings").content.decode()
    said = sent(client, reading, action="right value", value="6,700", unit="mi")
    reading.refresh_from_db()
    assert reading.total == pytest.approx(6_700 * 1.609344)
    assert "6,700 mi taken" in said


def test_a_right_value_that_falls_is_asked_about_and_kept(
    people: Cast, signed_in: SignedIn
) -> None:
    reading = held(people)
    client = signed_in(people.clerk)
    said = sent(client, reading, action="right value", value="10,000")
    assert "less than the reading of" in said
    assert 'name="value" inputmode="decimal" maxlength="20" value="10,000"' in said
    assert not ReadingDecision.objects.exists()
    sent(client, reading, sure="accept suggestion", value="10,000")
    reading.refresh_from_db()
    assert reading.total == 10_000


def test_the_right_value_is_never_the_suggestion(people: Cast, signed_in: SignedIn) -> None:
    reading = held(people)
    assert "Type the right value first" in sent(
        signed_in(people.clerk), reading, action="right value"
    )
    assert not ReadingDecision.objects.exists()


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


def test_rejected_rows_of_every_sheet_are_reached_by_one_link(
    people: Cast, signed_in: SignedIn
) -> None:
    client = signed_in(people.clerk)
    assert "Nothing waits for an answer." in client.get("/readings").content.decode()
    reading = held(people)
    Reading.objects.filter(pk=reading.pk).update(verdict="rejected")
    for number in range(7):
        name = f"sheet {number}.csv"
        made = Upload.objects.create(
            name=name, hash=name, size_bytes=9, person=people.clerk, state="done"
        )
        if not number:
            UploadRow.objects.create(
                **{"upload": made, "number": 1, "row": 2, "raw": "[]", "outcome": "rejected"},
                **{"vehicle": people.van, "reading": reading},
            )
    page = client.get("/readings").content.decode()
    assert "sheet 6.csv</a>, your last sheet, went in on" in page
    assert "sheet 0.csv" not in page
    assert ">rejected rows in 1 sheet</a>" in page
    (link,) = re.findall(r'href="(\?rejected=1[^#"]*)', page)
    found = client.get(f"/readings{link}").content.decode().split('id="uploads-head"')[1]
    assert re.findall(r"sheet \d\.csv</a>", found) == ["sheet 0.csv</a>"]
    ReadingDecision.objects.create(
        reading=reading, person=people.clerk, action="reject", reason="seen", channel="page"
    )
    assert "Nothing waits for an answer." in client.get("/readings").content.decode()


def test_one_tap_takes_a_name_for_a_vehicle_in_all_rows(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    client, day = signed_in(people.clerk), depots_day()
    text = f"vehicle,date,odometer km\nV101,{day},10760\nV101,{day},10761\nX-9,{day},5\n"
    file = SimpleUploadedFile("a.csv", text.encode(), content_type="text/csv")
    with django_capture_on_commit_callbacks(execute=True):
        page = client.post("/readings/uploads", {"file": file}, follow=True)
    one = Upload.objects.get()
    page = client.get(f"/readings/uploads/{one.pk}").content.decode()
    assert "“V101” was named 2 times; V-101 exists." in page
    tap = {"named": "V101", "vehicle": re.findall(r'name="vehicle" value="([^"]+)"', page)[0]}
    with django_capture_on_commit_callbacks(execute=True):
        said = client.post(f"/readings/uploads/{one.pk}/mend", tap, follow=True).content.decode()
    assert "“V101” is read as V-101" in said
    one.refresh_from_db()
    assert (one.state, one.counts["unknown vehicle"]) == ("done", 1)


def test_the_state_of_an_upload_shows_its_counts_beside_its_remark(
    people: Cast, signed_in: SignedIn
) -> None:
    Upload.objects.create(
        **{"name": "a.csv", "hash": "a", "size_bytes": 1, "person": people.clerk},
        **{"state": "done", "counts": {"accepted": 41}, "message": "Sheet “Info” was left alone."},
    )
    seen = signed_in(people.clerk).get("/readings").content.decode()
    assert "41 accepted" in seen
    assert "was left alone" in seen
