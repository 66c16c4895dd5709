import json
import os
import time
from pathlib import Path

import django
import pytest
import time_machine
from django.conf import settings
from django.db import OperationalError
from django.test import override_settings
from kombu import Connection

from config import cli, doctor
from config.celery import app
from fleet.due.models import Service
from fleet.runs import ledger
from fleet.workorders.models import Caution, Procedure
from tests.cast import cast
from tests.workbook.small import load_small
from tests.workbook.test_safety import gearbox_workbook

pytestmark = pytest.mark.django_db


def seen(subject: str) -> doctor.Finding:
    (found,) = [finding for finding in doctor.examine() if finding.subject == subject]
    return found


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that answers, as far as anybody asks for it."""
    monkeypatch.setitem(doctor.LOOKS, "worker", lambda: (doctor.WELL, "answers"))


@pytest.mark.usefixtures("worker")
def test_a_new_installation_is_well(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["doctor"]) == 0
    assert "WRONG" not in capsys.readouterr().out


@pytest.mark.usefixtures("worker")
def test_everything_looked_at_is_told_to_programs_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["doctor", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [one["subject"] for one in listed] == list(doctor.LOOKS)
    assert all(one["well"] and one["text"] for one in listed)


@pytest.mark.usefixtures("worker")
def test_what_should_be_looked_at_is_told_apart_and_is_no_fault(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(os.environ, "SUMPWISE_SESION_HOURS", "8")
    assert cli.main(["doctor", "--json"]) == 0
    (told,) = [one for one in json.loads(capsys.readouterr().out) if one["subject"] == "settings"]
    assert (told["well"], told["state"]) == (True, "look")
    assert cli.main(["doctor"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (line,) = [line for line in lines if "SUMPWISE_SESION_HOURS is" in line]
    assert line.startswith("look   settings     ")
    assert any(line.startswith("well   Python ") for line in lines)


def test_another_version_than_the_pinned_one_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locks = tmp_path / "config" / "locks"
    locks.mkdir(parents=True)
    (locks / "constraints.txt").write_text("# pinned\ndjango==1.0\nscipy==9 ; python_version>'3'\n")
    monkeypatch.setattr(settings, "BASE_DIR", tmp_path)
    said = seen("versions")
    assert not said.well
    assert f"Django {django.__version__} instead of 1.0; scipy " in said.text
    (locks / "constraints.txt").unlink()
    assert seen("versions").well


def test_a_full_disk_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "LEAST_FREE_BYTES", 2**60)
    said = seen("disk")
    assert not said.well
    assert "make room for 1073741824.0 GB" in said.text  # 2^60 of 2^30 bytes


def test_a_schedule_that_fell_quiet_is_found() -> None:
    note = settings.DATA_DIR / "beat-schedule"
    assert "not started yet" in seen("schedule").text
    note.touch()
    try:
        assert "last noted" in seen("schedule").text
        two_days_ago_s = time.time() - 2 * 86_400
        os.utime(note, (two_days_ago_s, two_days_ago_s))
        said = seen("schedule")
        assert (said.well, "quiet since" in said.text) == (False, True)
    finally:
        note.unlink()


def test_a_missing_night_is_found_and_said(capsys: pytest.CaptureFixture[str]) -> None:
    cast()
    with time_machine.travel("2026-05-12T10:00:00Z", tick=False):
        assert cli.main(["doctor"]) == 1
    assert "owed: 2026-05-12 Europe/Berlin" in capsys.readouterr().out


def test_the_last_night_is_named() -> None:
    cast()
    with time_machine.travel("2026-05-12T10:00:00Z", tick=False):
        with ledger.work("night", ledger.owed(doctor.timezone.now())[0].on, "Europe/Berlin"):
            pass
        assert seen("night") == doctor.Finding("night", doctor.WELL, "last done for 2026-05-12")


def test_after_a_night_done_by_hand_before_half_past_two_none_is_owed() -> None:
    cast()
    with time_machine.travel("2026-05-12T23:00:00Z", tick=False):  # 01:00 in Berlin
        assert cli.main(["nightly"]) == 0
        assert seen("night") == doctor.Finding("night", doctor.WELL, "last done for 2026-05-13")


def test_a_broken_look_is_a_finding_and_stops_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> doctor.Seen:
        raise RuntimeError("no answer")

    monkeypatch.setitem(doctor.LOOKS, "disk", broken)
    assert seen("disk").text == "RuntimeError: no answer"
    assert seen("static files").well


def test_a_key_that_others_can_read_is_found() -> None:
    key = settings.DATA_DIR / "secret-key"
    key.chmod(0o644)
    try:
        assert not seen("data folder").well
    finally:
        key.chmod(0o600)


@pytest.mark.skipif(settings.SERVED, reason="there is no such file")
def test_a_database_that_others_can_read_is_found() -> None:
    file = settings.DATA_DIR / "sumpwise.sqlite3"
    file.chmod(0o640)
    try:
        assert f"chmod 600 {file}" in seen("data folder").text
    finally:
        file.chmod(0o600)


def test_the_key_of_the_data_folder_is_private() -> None:
    assert (settings.DATA_DIR / "secret-key").stat().st_mode & 0o777 == 0o600


def test_a_database_that_is_behind_names_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "steps_behind", lambda: 2)
    assert "2 steps behind: sumpwise migrate" in seen("database").text


@pytest.mark.skipif(not settings.SERVED, reason="an embedded one keeps every letter")
def test_a_database_that_lacks_letters_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    assert seen("database").well
    monkeypatch.setattr("config.database._encoding", lambda: "LATIN1")
    assert not seen("database").well
    assert "keeps text as LATIN1" in seen("database").text


def test_what_rests_on_a_database_that_is_behind_is_named_once_and_not_looked_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(doctor, "steps_behind", lambda: 2)
    found = {one.subject: one for one in doctor.examine()}
    left_out = {"waiting", "procedures", "night"}  # each reads tables of the program
    assert left_out.isdisjoint(found)
    assert found["database"].text.endswith(
        "sumpwise migrate. Not looked at until then: waiting, procedures, night"
    )


@pytest.mark.parametrize(
    ("served", "remedy"), [(True, "SUMPWISE_DATABASE_URL"), (False, "may be written to")]
)
def test_a_database_that_is_away_says_what_to_look_at(
    served: bool, remedy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away() -> int:
        raise OperationalError("connection\nrefused.")

    monkeypatch.setattr(doctor, "steps_behind", away)
    with override_settings(SERVED=served):
        said = seen("database")
    assert said.text.startswith("The database does not answer: connection refused. See that ")
    assert remedy in said.text


def test_redis_that_is_away_says_what_to_look_at(monkeypatch: pytest.MonkeyPatch) -> None:
    # the discard port of RFC 863: nothing listens there
    monkeypatch.setattr(app, "connection_for_write", lambda: Connection("redis://127.0.0.1:9/0"))
    with override_settings(REDIS_URL="redis://127.0.0.1:9/0"):
        found = {one.subject: one for one in doctor.examine()}
    assert not found["broker"].well
    assert "Redis does not answer: Error 111 connecting to 127.0.0.1:9" in found["broker"].text
    assert "SUMPWISE_REDIS_URL" in found["broker"].text
    assert found["broker"].text.endswith("Not looked at until then: worker")
    assert "worker" not in found


def test_a_schedule_of_a_server_that_never_began_is_to_be_looked_at() -> None:
    with override_settings(SERVED=True):
        said = seen("schedule")
    assert said.state == doctor.LOOK
    assert said.text.endswith("not started yet; celery -A config.celery:app beat does")


def test_an_unsound_procedure_is_wrong_and_a_missing_one_is_named() -> None:
    load_small(gearbox_workbook())
    assert seen("procedures").text == "1, each by the rules of its family"
    Caution.objects.filter(slug="hot-fluid").delete()
    found = seen("procedures")
    assert not found.well
    assert "van gearbox-oil: the caution 'hot-fluid' does not stand before step 3" in found.text
    Procedure.objects.all().delete()
    assert seen("procedures").well
    assert "services without one: van gearbox-oil" in seen("procedures").text
    assert seen("procedures").state == doctor.LOOK


def test_a_distance_that_a_re_check_contradicts_is_to_be_looked_at() -> None:
    load_small(gearbox_workbook())
    procedure = Procedure.objects.get()
    again = Service.objects.create(
        vehicle_type=procedure.service.vehicle_type, compartment=procedure.service.compartment,
        slug="again", name="Again", kind="check", source="invented",
    )  # fmt: skip
    procedure.re_check_rules.create(slug="nuts", text="Nuts", to_km=80, service=again, source="x")
    Procedure.objects.update(note="Nuts again after 50 km.")
    found = seen("procedures")
    assert found.state == doctor.LOOK
    assert "van gearbox-oil: 50 km, but after at most 80 km by its rule" in found.text
