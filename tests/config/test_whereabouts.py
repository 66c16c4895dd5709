"""A mistyped data folder is a fault, and no new installation."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings

from config import cli
from fleet.vehicles.models import Vehicle
from tests.cast import cast

READING = [
    *(["due"], ["explain", "V-1", "oil"], ["demand"], ["plan"], ["backtest"], ["check"]),
    *(["doctor"], ["whatif", "a.json"], ["fleet", "export", "a.xlsx"], ["token", "list"]),
    *(["nightly"], ["person", "list"], ["backup", "file"], ["export", "--depot", "d", "a.zip"]),
]


def program(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "config", *words],
        env={"PATH": os.environ["PATH"], "SUMPWISE_DATA": str(folder)},
        cwd=settings.BASE_DIR, capture_output=True, text=True,
    )  # fmt: skip


@pytest.mark.parametrize("words", READING, ids=lambda words: words[0])
def test_a_command_that_reads_makes_no_new_data_folder(words: list[str], tmp_path: Path) -> None:
    folder = tmp_path / "mistyped"
    answer = program(folder, *words)
    assert (answer.returncode, answer.stdout, folder.exists()) == (1, "", False)
    assert answer.stderr == (
        f"sumpwise: There are no data in {folder}: set SUMPWISE_DATA to the folder that holds "
        "them, or begin a new one by sumpwise demo, sumpwise serve or sumpwise fleet load.\n"
    )


def test_an_empty_file_is_no_database(tmp_path: Path) -> None:
    (tmp_path / "sumpwise.sqlite3").touch()
    assert "There are no data in" in program(tmp_path, "due").stderr


@pytest.mark.parametrize(
    "words", [["fleet", "load"], ["person", "add"], ["serve"], ["demo"], ["restore"], ["migrate"]]
)
def test_what_begins_a_fleet_may_begin_its_folder(words: list[str]) -> None:
    more = {"load": ["a.xlsx"], "add": ["runa", "--role", "clerk"], "restore": ["a.zip"]}.get(
        words[-1], []
    )
    assert cli.parser().parse_args([*words, *more]).new


def test_what_was_begun_is_there_for_whoever_reads(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    program(folder, "person", "add", "runa", "--role", "clerk")
    assert "runa" in program(folder, "person", "list").stdout
    answer = program(folder, "due")
    assert (answer.returncode, answer.stdout) == (1, "")
    assert answer.stderr.startswith(f"sumpwise: {folder} holds no vehicle yet: load a workbook")


@pytest.mark.django_db
@pytest.mark.parametrize("words", [["due"], ["demand"], ["plan"]])
def test_without_a_vehicle_nothing_is_answered(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert not Vehicle.objects.exists()
    assert cli.main(words) == 1
    out, err = capsys.readouterr()
    assert (out, "holds no vehicle yet" in err) == ("", True)


@pytest.mark.django_db
def test_nothing_due_of_vehicles_that_are_there_is_no_fault(
    capsys: pytest.CaptureFixture[str],
) -> None:
    cast()
    assert cli.main(["due"]) == 0
    assert capsys.readouterr().out == "Nothing is due that fits.\n"
