import csv
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from pytest_django import DjangoCaptureOnCommitCallbacks, Settings
from rest_framework.test import APIClient

from fleet import chain, jobs
from fleet.people import tokens
from fleet.readings import intake
from fleet.readings.models import Reading, Upload
from fleet.runs import ledger
from fleet.runs.models import Run
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, depots_day

UPLOADS = address("uploads")


@pytest.fixture(autouse=True)
def own_folder(settings: Settings, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Ids of the uploads handed to the background."""
    ids: list[int] = []
    monkeypatch.setattr("fleet.jobs.send", lambda _, upload_id: ids.append(upload_id))
    return ids


@pytest.fixture
def clerk(running: Cast, call: Caller) -> APIClient:
    return call(running.clerk)


def sheet(*lines: str) -> SimpleUploadedFile:
    today = depots_day() - timedelta(days=0)
    text = "\n".join(["vehicle,date,odometer km", *(f"{line}" for line in lines)])
    return SimpleUploadedFile("yard.csv", text.format(today=today).encode(), "text/csv")


def send(client: APIClient, *lines: str, **more: object) -> object:
    return client.post(UPLOADS, {"file": sheet(*lines), **more}, format="multipart")


def test_a_sheet_is_received_and_taken_in_by_the_background(
    running: Cast,
    clerk: APIClient,
    sent: list[int],
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        answer = send(clerk, "V-101,{today},10760")
    upload = Upload.objects.get()
    assert (answer.status_code, answer.json()["state"]) == (202, "received")
    assert (upload.person, sent) == (running.clerk, [upload.pk])
    assert clerk.get(answer["Location"]).json()["id"] == upload.pk


def taken_in(client: APIClient) -> dict[str, object]:
    lines = ("V-101,{today},10760", "V-999,{today},5", "V-201,{today},9999", "V-102,{today},x")
    upload = send(client, *lines).json()
    chain.complete_upload(upload["id"])
    return client.get(address(f"uploads/{upload['id']}")).json()


def test_its_progress_and_end_can_be_followed(clerk: APIClient, sent: list[int]) -> None:
    upload = taken_in(clerk)
    assert (upload["state"], upload["rows_read"]) == ("done", 4)
    # a vehicle of another depot is as unknown to the clerk as one that does not exist
    assert upload["counts"] == {"accepted": 1, "unknown vehicle": 2, "unreadable": 1}
    assert not Reading.objects.filter(value=9999).exists()


def test_an_upload_says_since_when_it_waits_until_a_worker_takes_it(
    clerk: APIClient, sent: list[int]
) -> None:
    send(clerk, "V-101,{today},10760")
    one = Upload.objects.get()
    own = f"{UPLOADS}/{one.pk}"

    def told() -> list[object]:
        rows = [clerk.get(own).json(), *clerk.get(UPLOADS).json()["rows"]]
        return [row["waiting_since"] for row in rows]

    came = clerk.get(own).json()["received_at"]
    assert told() == [came, came]
    ledger.ask_for(jobs.UPLOAD, one.received_at.date(), str(one.pk))
    assert told() == [came, came]  # it was only noted
    Upload.objects.update(rows_read=1)  # by a command, which is in no ledger
    assert told() == [None, None]
    Upload.objects.update(rows_read=0)
    ledger.claim(jobs.UPLOAD, one.received_at.date(), str(one.pk))
    assert told() == [None, None]
    Run.objects.all().delete()
    Upload.objects.update(state=Upload.State.DONE)
    assert told() == [None, None]


def test_each_row_can_be_read_back_with_its_outcome(clerk: APIClient, sent: list[int]) -> None:
    where = address(f"uploads/{taken_in(clerk)['id']}/rows")
    rows = clerk.get(where).json()["rows"]
    assert [row["outcome"] for row in rows] == [
        "accepted", "unknown vehicle", "unknown vehicle", "unreadable",
    ]  # fmt: skip
    assert (rows[0]["vehicle"], rows[1]["cells"][0]) == ("V-101", "V-999")
    assert len(clerk.get(where, {"outcome": "unreadable"}).json()["rows"]) == 1


def test_the_rows_come_as_csv_with_the_outcome_in_front(clerk: APIClient, sent: list[int]) -> None:
    where = address(f"uploads/{taken_in(clerk)['id']}/rows")
    text = clerk.get(where, {"format": "csv"}).getvalue().decode()
    lines = list(csv.reader(text.splitlines()))
    assert lines[0][:6] == ["sheet", "row", "column", "outcome", "now", "message"]
    assert (lines[1][3], lines[1][6]) == ("accepted", "V-101")
    assert len(lines) == 5


def file_of(text: str) -> SimpleUploadedFile:
    return SimpleUploadedFile("yard.csv", text.encode(), "text/csv")


def finished(client: APIClient, text: str) -> dict[str, object]:
    upload = client.post(UPLOADS, {"file": file_of(text)}, format="multipart").json()
    chain.complete_upload(upload["id"])
    return client.get(address(f"uploads/{upload['id']}")).json()


def test_engine_hours_alone_an_open_quote_and_a_stray_mark_each_end_well(
    clerk: APIClient, sent: list[int]
) -> None:
    day = depots_day()
    hours = finished(clerk, f"vehicle,date,engine hours\nV-101,{day},120\n")
    assert (hours["state"], hours["counts"]) == ("done", {"accepted": 1})
    quote = finished(clerk, f'vehicle,date,km\nV-101,{day},10760\nV-102,{day},"5\nV-102,{day},6\n')
    assert (quote["state"], str(quote["message"])[:22]) == ("refused", "Line 3 opens a quotati")
    stray = finished(clerk, f"vehicle,date,k\x01m\nV-101,{day},10770\n")
    assert (stray["state"], stray["counts"]) == ("done", {"accepted": 1})


def test_the_same_file_again_is_the_same_upload(clerk: APIClient, sent: list[int]) -> None:
    first, again = (send(clerk, "V-101,{today},10760") for _ in range(2))
    assert [first.status_code, again.status_code] == [202, 200]
    assert first.json()["id"] == again.json()["id"]


def test_a_file_is_needed(clerk: APIClient, sent: list[int]) -> None:
    answer = clerk.post(UPLOADS, {}, format="multipart")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/file")
    answer = clerk.post(UPLOADS, {"file": BytesIO(b"")}, format="multipart")
    assert answer.status_code == 400


def test_a_file_sent_as_json_is_refused(clerk: APIClient) -> None:
    assert clerk.post(UPLOADS, {}, format="json").status_code == 415


def test_a_foreign_depot_cannot_be_named(clerk: APIClient, sent: list[int]) -> None:
    answer = send(clerk, "V-201,{today},9999", depot="hill")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/depot")
    assert not Upload.objects.exists()


def test_a_token_of_one_depot_reaches_no_vehicle_of_another(running: Cast, sent: list[int]) -> None:
    running.clerk.depots.add(running.hill)
    _, secret = tokens.issue(
        person=running.clerk, label="hill", scopes=["uploads:write", "uploads:read"], days=1,
        depots=[running.hill],
    )  # fmt: skip
    client = APIClient(headers={"Authorization": f"Bearer {secret}"})
    upload = send(client, "V-101,{today},10760").json()
    chain.complete_upload(upload["id"])
    assert Upload.objects.get().counts == {"unknown vehicle": 1}


def test_who_shares_a_depot_sees_the_upload_and_a_stranger_does_not(
    running: Cast, clerk: APIClient, call: Caller, sent: list[int]
) -> None:
    upload = taken_in(clerk)
    for name, status in (("viewer", 200), ("outsider", 404)):
        client = call(getattr(running, name))
        assert client.get(address(f"uploads/{upload['id']}")).status_code == status
        assert client.get(address(f"uploads/{upload['id']}/rows")).status_code == status


def test_a_name_is_treated_as_a_vehicle_in_all_rows(clerk: APIClient, sent: list[int]) -> None:
    day = depots_day()
    first = finished(clerk, f"vehicle,date,km\nV101,{day},10760\nX-9,{day},5\n")
    kinds = {kind["named"]: kind for kind in first["kinds"]}
    assert (kinds["V101"]["candidates"], kinds["X-9"]["count"]) == (["V-101"], 1)
    where = address(f"uploads/{first['id']}/mend")
    answer = clerk.post(where, {"named": "V101", "vehicle": "v-101"}, format="json")
    assert answer.status_code == 202
    chain.complete_upload(first["id"])
    now = clerk.get(answer["Location"]).json()
    assert now["counts"] == {"accepted": 1, "unknown vehicle": 1}
    again = clerk.post(where, {"named": "V101", "vehicle": "V-101"}, format="json")
    assert again.status_code == 422


def test_an_upload_is_withdrawn_once_with_its_reason(clerk: APIClient, sent: list[int]) -> None:
    day = depots_day()
    first = finished(clerk, f"vehicle,date,km\nV-101,{day},10760\n")
    assert (first["withdrawn_at"], first["drafts_cancelled"]) == (None, None)
    where = address(f"uploads/{first['id']}/withdraw")
    assert clerk.post(where, {}, format="json").status_code == 400
    answer = clerk.post(where, {"reason": "another depot's sheet"}, format="json")
    assert answer.status_code == 202
    chain.complete_upload(first["id"])
    now = clerk.get(answer["Location"]).json()
    assert (now["state"], now["counts"]) == ("done", {"rejected": 1})
    assert (now["withdrawn_by"], now["withdrawn_why"]) == ("cleo", "another depot's sheet")
    assert now["drafts_cancelled"] == 0
    again = clerk.post(where, {"reason": "once more"}, format="json")
    assert (again.status_code, again.json()["detail"]) == (
        409,
        "This upload was withdrawn already.",
    )


def test_a_row_is_corrected_and_tells_what_it_was(
    clerk: APIClient,
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    taken_up: list[tuple[int, bool]] = []
    upload = taken_in(clerk)
    monkeypatch.setattr("fleet.jobs.send", lambda _, pk, again: taken_up.append((pk, again)))
    where = address(f"uploads/{upload['id']}/rows")
    given = {"on": str(depots_day()), "value": 10_760.5}
    with django_capture_on_commit_callbacks(execute=True):
        answer = clerk.post(f"{where}/4/correct", given, format="json")
    assert (answer.status_code, answer.json()["state"]) == (202, "read")
    assert taken_up == [(upload["id"], True)]
    chain.complete_upload(upload["id"])
    rows = {row["number"]: row for row in clerk.get(where).json()["rows"]}
    assert (rows[4]["outcome"], rows[4]["cells"][2]) == ("accepted", "x")
    (told,) = rows[4]["corrections"]
    assert (told["outcome"], told["person"], told["reading"]) == ("unreadable", "cleo", None)
    assert rows[1]["corrections"] == []


@pytest.mark.parametrize(
    ("given", "stored"),
    [
        ({}, ("08:11", True)),
        ({"at": "17:05"}, ("17:05", True)),
        ({"at": None}, ("12:00", False)),
    ],
)
def test_the_time_of_a_row_is_kept_changed_or_taken_off(
    clerk: APIClient, monkeypatch: pytest.MonkeyPatch, given: dict[str, Any],
    stored: tuple[str, bool],
) -> None:  # fmt: skip
    monkeypatch.setattr("fleet.jobs.send", lambda *_, **__: None)
    on = depots_day() - timedelta(days=1)
    sheet = f"vehicle,date,odometer km\nV-102,{on} 08:11,lots"
    upload = chain.complete_upload(intake.receive(sheet.encode(), "t.csv").pk)
    row = upload.rows.get()
    where = address(f"uploads/{upload.pk}/rows/{row.number}/correct")
    sent = {"on": str(on), "value": 10_760.5, **given}
    assert clerk.post(where, sent, format="json").status_code == 202
    row.refresh_from_db()
    assert row.reading is not None
    at = row.reading.taken_at.astimezone(ZoneInfo(row.reading.vehicle.depot.zone))
    assert (f"{at:%H:%M}", row.reading.time_known) == stored


def test_a_correction_that_cannot_be_is_refused_about_its_field(
    running: Cast, clerk: APIClient, sent: list[int], call: Caller
) -> None:
    upload = taken_in(clerk)
    where = address(f"uploads/{upload['id']}/rows")
    refused = clerk.post(f"{where}/4/correct", {"value": 5}, format="json")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "#/on")
    assert clerk.post(f"{where}/99/correct", {"value": 5}, format="json").status_code == 404
    given = {"vehicle": "V-201", "value": 5}
    assert clerk.post(f"{where}/4/correct", given, format="json").status_code == 404
    given = {"value": 10_761, "reason": "so"}
    mechanic = call(running.mechanic)  # adds readings, and settles none
    assert mechanic.post(f"{where}/1/correct", given, format="json").status_code == 403
