"""Rows of an upload after people corrected them: what is right, who said so, when and why, and what
was said first, wherever the upload or its reading is shown."""

import csv
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks
from python_calamine import load_workbook

from fleet.people.models import Person
from fleet.readings.models import RowCorrection, Upload
from tests.cast import Cast, depots_day
from tests.dashboard.rendered import page, send
from tests.readings.spreadsheets import write_xlsx

SignedIn = Callable[[Person], Client]
Commits = DjangoCaptureOnCommitCallbacks


@pytest.fixture
def corrected(
    people: Cast, signed_in: SignedIn, django_capture_on_commit_callbacks: Commits
) -> Upload:
    """One row that could not be read, one that was accepted, and one of a name nobody knew."""
    day, client, take = depots_day(), signed_in(people.clerk), django_capture_on_commit_callbacks
    before = day - timedelta(days=7)
    rows = (
        f"V-102,{day},lots",
        f"V-101,{day},10765",
        f"V_102,{before},10060",
        f"V-101,{day},10765",
    )
    text = "\n".join(["vehicle,date,odometer km", *rows])
    sheet = SimpleUploadedFile("march.csv", text.encode(), content_type="text/csv")
    with take(execute=True):
        client.post("/readings/uploads", {"file": sheet})
    one = Upload.objects.get()
    where = f"/readings/uploads/{one.pk}"
    with take(execute=True):
        send(client, page(client, where), "rows/1/correct", value="10,760.5")
    asked = page(client, f"{where}?outcome=accepted")
    with take(execute=True):
        send(client, asked, "rows/2/correct", value="10766", reason="misread")
    with take(execute=True):
        client.post(f"{where}/mend", {"named": "V_102", "vehicle": "V-102"})
    one.refresh_from_db()
    return one


def told(client: Client, one: Upload) -> list[tuple[list[list[Any]], int, int]]:
    """Lines of each file of an upload, with the places of what is now and of the first cell."""
    where = f"/readings/uploads/{one.pk}"
    text = client.get(f"{where}.csv").content.decode("utf-8-sig")
    book = load_workbook(BytesIO(client.get(f"{where}.xlsx").content))
    streamed = client.get(f"/api/v1{where[9:]}/rows", headers={"accept": "text/csv"})
    return [
        (list(csv.reader(text.splitlines())), 4, 7),
        (book.get_sheet_by_index(0).to_python(), 4, 7),
        (list(csv.reader(streamed.getvalue().decode().splitlines())), 4, 6),
    ]


def expected(day: Any) -> list[tuple[str, str]]:
    """What each row is now, and what was said first."""
    lots = "C2 is no number. “lots” is not a number: write digits, as in 12500."
    named = (
        "“V_102” is no known fleet number: correct it, or add the vehicle and send the file again. "
        "Similar: V-102, V-101."
    )
    return [
        (f"accepted: corrected to 10760.5 km on {day}, by Cleo on {day}.", f"unreadable: {lots}"),
        (f"accepted: corrected to 10766 km on {day}, by Cleo on {day} (misread).", "accepted"),
        (
            f"accepted: read as V-102, by Cleo on {day} (“V_102” was named).",
            f"unknown vehicle: {named}",
        ),
    ]


def test_files_tell_what_is_right_who_said_so_when_and_why_and_what_was_said_first(
    people: Cast, corrected: Upload, signed_in: SignedIn
) -> None:
    for lines, at, _ in told(signed_in(people.supervisor), corrected):
        assert [tuple(line[at : at + 2]) for line in lines[1:4]] == expected(depots_day())


def test_the_api_tells_the_same_of_each_row(
    people: Cast, corrected: Upload, signed_in: SignedIn
) -> None:
    rows = signed_in(people.supervisor).get(f"/api/v1/uploads/{corrected.pk}/rows").json()["rows"]
    assert [(row["now"], row["message"]) for row in rows[:3]] == expected(depots_day())
    assert [len(row["corrections"]) for row in rows] == [1, 1, 1, 0]
    (kept,) = rows[2]["corrections"]
    assert (kept["person"], kept["outcome"]) == ("cleo", "unknown vehicle")


def test_each_correction_of_a_row_is_told_in_its_order(
    people: Cast,
    corrected: Upload,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: Commits,
) -> None:
    """A row that was corrected once more, and one whose name was taken for a vehicle before."""
    client, day = signed_in(people.clerk), depots_day()
    asked = page(client, f"/readings/uploads/{corrected.pk}?outcome=corrected")
    for number, value in ((2, "10767"), (3, "10061")):
        with django_capture_on_commit_callbacks(execute=True):
            send(client, asked, f"rows/{number}/correct", value=value, reason="again")
    by = f", by Cleo on {day}"
    before = day - timedelta(days=7)
    for lines, at, _ in told(signed_in(people.supervisor), corrected):
        assert [line[at] for line in lines[2:4]] == [
            f"accepted: corrected{by} (misread); corrected to 10767 km on {day}{by} (again).",
            f"accepted: read as V-102{by} (“V_102” was named); "
            f"corrected to 10061 km on {before}{by} (again).",
        ]


def test_each_column_of_cells_as_given_has_a_heading(
    people: Cast, corrected: Upload, signed_in: SignedIn
) -> None:
    for lines, _, cells in told(signed_in(people.supervisor), corrected):
        word = "As given" if cells == 7 else "cell"
        assert lines[0][cells:] == [f"{word} 1", f"{word} 2", f"{word} 3"]
        assert lines[1][cells] == "V-102"


def test_rows_corrected_by_hand_stay_on_the_page_and_all_corrected_ones_are_one_tap_away(
    people: Cast, corrected: Upload, signed_in: SignedIn
) -> None:
    client, where = signed_in(people.clerk), f"/readings/uploads/{corrected.pk}"
    seen = unescape(page(client, where))
    assert "row 2" in seen.split('<ul class="rows">', 1)[1]
    assert "accepted; misread." in seen
    assert "“V_102” was named" not in seen  # a name may have taken up thousands
    assert f'<a href="{where}?outcome=corrected">3 rows</a>' in seen
    seen = unescape(page(client, f"{where}?outcome=corrected"))
    assert seen.count("by Cleo; until then:") == 3
    assert "Read as V-102 " in seen


def test_the_vehicle_says_at_a_reading_how_a_correction_brought_it(
    people: Cast, corrected: Upload, signed_in: SignedIn
) -> None:
    seen = unescape(page(signed_in(people.clerk), "/vehicles/V-101"))
    made = RowCorrection.objects.get(row__number=2)
    line = seen.split(f'id="reading-{made.row.reading_id}"', 1)[1].split("</tr>", 1)[0]
    assert "by Cleo; until then: 10,765 km on" in line
    assert "accepted; misread." in line


def test_a_sheet_that_is_only_checked_shows_whole_numbers_as_whole(
    people: Cast, signed_in: SignedIn, tmp_path: Path
) -> None:
    rows = [["vehicle", "date", "odometer km"], ["X-9", str(depots_day()), 26_065.0]]
    path = write_xlsx(tmp_path / "a.xlsx", March=rows)
    given = {"file": SimpleUploadedFile("a.xlsx", path.read_bytes()), "dry_run": "on"}
    seen = signed_in(people.clerk).post("/readings/uploads", given).content.decode()
    assert f"X-9 · {depots_day()} · 26065<" in seen


def test_as_many_cells_have_headings_as_the_widest_sheet_has(
    people: Cast,
    signed_in: SignedIn,
    django_capture_on_commit_callbacks: Commits,
    tmp_path: Path,
) -> None:
    head, day = ["vehicle", "date", "odometer km"], depots_day()
    path = write_xlsx(
        tmp_path / "a.xlsx",
        March=[head, ["V-101", day, 10_765]],
        April=[[*head, "note"], ["V-102", day, 10_060, "seen"]],
    )
    client = signed_in(people.supervisor)
    with django_capture_on_commit_callbacks(execute=True):
        client.post("/readings/uploads", {"file": SimpleUploadedFile("a.xlsx", path.read_bytes())})
    for lines, _, cells in told(client, Upload.objects.get()):
        assert len(lines[0]) - cells == 4
