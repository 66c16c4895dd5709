"""What ``sumpwise upload`` and ``sumpwise settle`` print."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
import time_machine

from config import cli
from fleet.readings.models import Reading, Verdict
from tests import scene

pytestmark = pytest.mark.django_db
KEYS = {  # promised to programs that read the object
    *("rows", "accepted", "held", "rejected", "unknown_vehicle", "unreadable", "repeated"),
    "not_accepted",
}


@pytest.fixture(autouse=True)
def depot_clock() -> Iterator[None]:
    with time_machine.travel(scene.NOW, tick=False):
        yield


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """A steady van, and a last reading that fell."""
    scene.van("V-1", at=scene.depot("coast", zone="Europe/Lisbon"))
    path = tmp_path / "may.csv"
    days = "".join(f"V-1,2026-05-{day:02},{20_000 + 100 * day}\n" for day in range(1, 29, 3))
    path.write_text(f"Vehicle,Date,Odometer\n{days}V-1,2026-06-01 17:05,21050\nV-9,2026-06-01,5\n")
    return path


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert cli.main([*words]) == 0
    return capsys.readouterr().out


def test_an_upload_says_what_became_of_each_row(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = printed(capsys, "upload", str(sheet))
    assert "): 12 rows: 10 accepted, 1 held, 0 rejected, 1 unknown vehicle" in out
    assert f"[reading {Reading.objects.get(verdict=Verdict.HELD).pk}]" in out
    assert "row 13: “V-9” is no known fleet number" in out
    assert out.endswith("To decide about what is held: sumpwise settle\n")


def test_an_upload_as_json_has_the_promised_keys(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = json.loads(printed(capsys, "upload", str(sheet), "--json"))
    assert told.keys() >= KEYS
    assert told["rows"] == sum(told[key] for key in KEYS - {"rows", "not_accepted"})


def test_a_trial_keeps_nothing(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "upload", str(sheet), "--dry-run")
    assert "tried only; nothing was kept" in out
    assert "sumpwise settle" not in out
    assert "1 held" in out
    assert "[reading" not in out  # there will be none of that number
    told = json.loads(printed(capsys, "upload", str(sheet), "--dry-run", "--json"))
    assert {row["reading"] for row in told["not_accepted"]} == {None}
    assert not Reading.objects.exists()


def test_what_is_held_is_listed_by_the_clock_of_the_depot(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed(capsys, "upload", str(sheet))
    out = printed(capsys, "settle")
    assert "V-1  2026-06-01 17:05  21,050 km" in out
    assert "1 held. To decide: sumpwise settle READING --accept --reason TEXT" in out


def test_a_held_reading_is_settled_by_its_number(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed(capsys, "upload", str(sheet))
    held = Reading.objects.get(verdict=Verdict.HELD)
    printed(capsys, "settle", str(held.pk), "--reject", "--reason", "typed from last week")
    assert Reading.objects.get(pk=held.pk).verdict == Verdict.REJECTED
    assert printed(capsys, "settle") == "No reading is held.\n"
