import pytest
import time_machine
from django.conf import settings

from config import cli, doctor
from fleet.runs import ledger
from fleet.workorders.models import Caution, Procedure
from tests.cast import cast
from tests.workbook.small import load_small
from tests.workbook.test_safety import gearbox_workbook

pytestmark = pytest.mark.django_db


def seen(subject: str) -> doctor.Finding:
    (found,) = [finding for finding in doctor.examine() if finding.subject == subject]
    return found


def test_a_new_installation_is_well(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["doctor"]) == 0
    assert "WRONG" not in capsys.readouterr().out


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
        assert seen("night") == doctor.Finding("night", True, "last done for 2026-05-12")


def test_after_a_night_done_by_hand_before_half_past_two_none_is_owed() -> None:
    cast()
    with time_machine.travel("2026-05-12T23:00:00Z", tick=False):  # 01:00 in Berlin
        assert cli.main(["nightly"]) == 0
        assert seen("night") == doctor.Finding("night", True, "last done for 2026-05-13")


def test_a_broken_look_is_a_finding_and_stops_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> doctor.Seen:
        raise RuntimeError("no answer")

    monkeypatch.setitem(doctor.LOOKS, "database", broken)
    assert seen("database").text == "RuntimeError: no answer"
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
