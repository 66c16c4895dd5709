"""A workbook by page: taken out, checked, loaded, with the sentences of the command."""

import re
from collections.abc import Callable
from html import unescape
from io import BytesIO
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoCaptureOnCommitCallbacks, Settings

from config import cli
from fleet import jobs
from fleet.people.models import Person, Role
from fleet.vehicles.models import Vehicle
from fleet.workbook import sent
from fleet.workbook.models import SentBook
from fleet.workbook.notes import Note
from fleet.workbook.told import kinds
from fleet.workbook.write import write_cells
from tests.cast import depot, person
from tests.dashboard.forms import forms_of
from tests.dashboard.rendered import page, send
from tests.workbook.small import Sheets, grids, small_workbook, vehicle

SignedIn = Callable[[Person], Client]
PAGE = "/workbook"


@pytest.fixture(autouse=True)
def own_folder(settings: Settings, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path


@pytest.fixture
def chief(db: None, signed_in: SignedIn) -> Client:
    """Leave to set up, and every depot there is."""
    return signed_in(person("Sura", Role.SUPERVISOR, depot("plain")))


def file_of(sheets: Sheets, tmp_path: Path) -> bytes:
    path = tmp_path / "made.xlsx"
    write_cells(path, {name: rows[1:] for name, rows in grids(sheets).items()})
    return path.read_bytes()


@pytest.fixture
def sends(
    tmp_path: Path, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> Callable[..., str]:
    """Send a book through the form of the page; gives where its own page is."""

    def sends(client: Client, sheets: Sheets | bytes, name: str = "fleet.xlsx") -> str:
        data = sheets if isinstance(sheets, bytes) else file_of(sheets, tmp_path)
        with django_capture_on_commit_callbacks(execute=True):
            answer = send(client, page(client, PAGE), "file", file=SimpleUploadedFile(name, data))
        assert answer.status_code == 302
        return str(answer["Location"])

    return sends


@pytest.fixture
def taps(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> Callable[..., str]:
    """Tap a button of a book's page, as it is rendered; gives the page afterwards."""

    def taps(client: Client, address: str, button: str) -> str:
        (form,) = [one for one in forms_of(page(client, address)) if "take-up" in one.action]
        assert ("action", button) in form.buttons
        with django_capture_on_commit_callbacks(execute=True):
            client.post(form.action, {**form.sent, "action": button})
        return page(client, address)

    return taps


def test_a_book_is_checked_first_and_loaded_by_a_second_tap(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    where = sends(chief, small_workbook())
    assert (SentBook.objects.get().state, Vehicle.objects.count()) == ("checked", 0)
    shown = page(chief, where)
    assert "nothing is loaded yet" in shown
    loaded = taps(chief, where, "load")
    assert Vehicle.objects.get().fleet_number == "V-1"
    assert "Due dates follow in the next night" in loaded
    assert "take-up" not in loaded  # nothing is left to do with it


def test_the_one_who_loaded_stands_in_the_history(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    taps(chief, sends(chief, small_workbook(), "of March.xlsx"), "load")
    change = Vehicle.objects.get().history.latest()  # type: ignore[attr-defined]
    assert change.history_user.username == "sura"
    assert change.history_change_reason == "fleet workbook of March.xlsx"


def test_sheets_that_stay_as_they_are_take_one_line(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    taps(chief, sends(chief, small_workbook()), "load")
    sheets = small_workbook()
    sheets["Vehicles"].append(vehicle("V-2"))
    where = sends(chief, sheets)
    shown = page(chief, where)
    counts = shown[shown.index("<tbody>") : shown.index("</tbody>")]
    named = re.findall(r'<th scope="row">([^<]+)</th>', counts)
    assert named == ["Vehicles", "Depot stays"]  # where it is based follows from the vehicle
    assert 'data-label="To add">1<' in counts
    alike = shown[shown.index("As they are: ") :]
    assert f"{len(sheets) - 1} sheets" in alike
    assert f"<li>Depots: {len(sheets['Depots'])}</li>" in alike
    assert "checked: 2 rows to load" in page(chief, PAGE)
    assert 'data-label="Added">1<' in taps(chief, where, "load")


def test_loading_what_the_fleet_holds_is_not_offered(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    taps(chief, sends(chief, small_workbook()), "load")
    shown = page(chief, sends(chief, small_workbook()))
    assert "it would change nothing" in shown
    assert 'value="load"' not in shown


def wrong() -> Sheets:
    sheets = small_workbook()
    sheets["Vehicles"] += [
        vehicle("V-2", Depot="nowhere"),
        vehicle("V-3", Depot="nowhere"),
        vehicle("V-4", **{"Odometer in service": "much"}),
    ]
    return sheets


def test_page_and_command_name_the_same_faults_at_their_places(
    chief: Client, sends: Callable[..., str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = sends(chief, wrong(), "made.xlsx")
    shown = unescape(page(chief, where))
    assert cli.main(["fleet", "load", str(tmp_path / "made.xlsx")]) == 1
    said = [line.strip() for line in capsys.readouterr().err.splitlines() if line[:2] == "  "]
    assert len(said) == 3
    for sentence in said:
        assert sentence in shown
    assert "2 ×</strong> Vehicles, Depot: e.g. Vehicles, row 4, column 'Depot': 'nowhere'" in shown
    assert (SentBook.objects.get().state, Vehicle.objects.count()) == ("refused", 0)


def test_a_file_that_is_no_workbook_is_told_by_the_name_it_was_sent_under(
    chief: Client, sends: Callable[..., str]
) -> None:
    shown = page(chief, sends(chief, b"PK no more", "fleet of 2026.xlsx"))
    assert "1 fault in the workbook" in shown
    assert "fleet of 2026.xlsx: " in shown


def test_what_was_lacking_may_be_entered_and_the_book_checked_again(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    whole = small_workbook()
    whole["Depots"].append({**whole["Depots"][0], "Depot": "hill"})
    lacking = {name: rows for name, rows in small_workbook().items() if name != "Depots"}
    lacking["Closures"] = [{**row, "Depot": "hill"} for row in lacking["Closures"]]
    where = sends(chief, lacking)
    assert "'hill' is not in sheet Depots" in unescape(page(chief, where))
    taps(chief, sends(chief, {"Depots": whole["Depots"]}), "load")
    taps(chief, where, "check")
    assert list(SentBook.objects.values_list("state", flat=True)) == ["loaded", "checked"]
    assert {one.slug for one in Person.objects.get().depots.all()} == {"plain", "hill"}


def test_a_book_is_taken_up_once(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    where = sends(chief, small_workbook())
    before = page(chief, where)
    taps(chief, where, "load")
    answer = send(chief, before, "Load it", action="load")
    assert answer.status_code == 302
    assert "has been taken up already" in page(chief, where)


def test_a_job_that_was_cut_short_is_made_up(chief: Client, tmp_path: Path) -> None:
    upload = sent.receive(BytesIO(file_of(small_workbook(), tmp_path)), "a.xlsx", None)
    assert upload.state == "received"
    jobs.make_up()
    upload.refresh_from_db()
    assert (upload.state, upload.share, upload.moving) == ("checked", 1.0, False)
    sent.want_loaded(upload)
    jobs.make_up()
    jobs.make_up()
    upload.refresh_from_db()
    assert (upload.state, Vehicle.objects.count()) == ("loaded", 1)


def test_while_it_is_worked_on_the_page_says_what_is_done_and_asks_again(
    chief: Client, tmp_path: Path
) -> None:
    upload = sent.receive(BytesIO(file_of(small_workbook(), tmp_path)), "a.xlsx", None)
    seen: list[str] = []

    def look(share: float) -> None:
        seen.append(page(chief, f"{PAGE}/sent/{upload.pk}/state"))

    sent.go_on(upload.pk, timezone.now(), look)
    assert "reading the file" in seen[0]
    assert "comparing with the fleet" in seen[1]
    assert all("hx-get" in one for one in seen)
    assert "hx-get" not in page(chief, f"{PAGE}/sent/{upload.pk}/state")


def test_the_fleet_taken_out_changes_nothing_when_it_comes_back(
    chief: Client, sends: Callable[..., str], taps: Callable[..., str]
) -> None:
    taps(chief, sends(chief, small_workbook()), "load")
    answer = chief.get(f"{PAGE}/fleet.xlsx")
    assert answer["Content-Disposition"] == 'attachment; filename="fleet.xlsx"'
    assert "it would change nothing" in page(chief, sends(chief, answer.content))
    assert chief.get(f"{PAGE}/template.xlsx").content[:2] == b"PK"


def test_without_a_file_the_form_says_so(chief: Client) -> None:
    answer = send(chief, page(chief, PAGE), "file")
    assert answer.status_code == 422
    assert "Choose a workbook first." in answer.content.decode()


@pytest.mark.django_db
@pytest.mark.parametrize("role", [Role.CLERK, Role.MECHANIC, Role.VIEWER, Role.STORES])
def test_who_does_not_set_up_gets_and_sends_no_workbook(
    role: Role, signed_in: SignedIn, sends: Callable[..., str]
) -> None:
    refused_everywhere(signed_in(person("Vera", role, depot("plain"))))


@pytest.mark.django_db
def test_a_supervisor_of_one_depot_of_two_does_not_reach_the_whole_fleet(
    signed_in: SignedIn,
) -> None:
    one = depot("plain")
    depot("hill")
    refused_everywhere(signed_in(person("Sura", Role.SUPERVISOR, one)))


def refused_everywhere(client: Client) -> None:
    upload = SentBook.objects.create(name="x", size_bytes=1, state="checked")
    own = f"{PAGE}/sent/{upload.pk}"
    for address in (PAGE, f"{PAGE}/fleet.xlsx", f"{PAGE}/template.xlsx", own, f"{own}/state"):
        assert client.get(address).status_code == 403
    assert client.post(f"{PAGE}/sent", {}).status_code == 403
    assert client.post(f"{own}/take-up", {"action": "load"}).status_code == 403
    assert f'href="{PAGE}"' not in page(client, "/method")
    upload.refresh_from_db()
    assert upload.state == "checked"


def test_notes_alike_but_for_what_the_rows_hold_are_one_kind() -> None:
    notes = [Note("Vehicles", row, "Depot", f"'d{row}' is not in sheet Depots") for row in (4, 9)]
    notes += [Note("Vehicles", 5, "Unit", "'x' is not in sheet Depots")]
    notes += [Note("Limits", row, "Service", "must be filled in") for row in range(3, 63)]
    found = [(one.sheet, one.heading, one.count, len(one.notes), one.more) for one in kinds(notes)]
    assert found == [
        ("Limits", "Service", 60, 50, 10),
        ("Vehicles", "Depot", 2, 2, 0),
        ("Vehicles", "Unit", 1, 1, 0),
    ]
