"""Where a demo may be loaded: not into another fleet, and anew where it was cut short."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest
from django.conf import settings

from config.commands import demo as command
from fleet.demo import build
from fleet.faults import Fault
from fleet.vehicles.models import Vehicle
from tests.served.conftest import once
from tests.workbook.small import load_small, small_workbook


@pytest.fixture
def data_folder(settings: object, tmp_path: Path) -> Path:
    settings.DATA_DIR = tmp_path  # type: ignore[attr-defined]
    return tmp_path


@pytest.mark.django_db
def test_another_fleet_is_never_mixed_with_the_demo(data_folder: Path) -> None:
    load_small(small_workbook())
    with pytest.raises(Fault, match="holds a fleet that is no demo"):
        command.bring_demo()
    assert Vehicle.objects.count() == 1


@pytest.mark.django_db
def test_a_demo_that_was_cut_short_is_neither_loaded_nor_anothers(data_folder: Path) -> None:
    (data_folder / "demo").write_text("begun 2026-03-04\n")
    assert (build.belongs_to_others(), build.is_loaded()) == (False, False)
    assert not build.was_cut_short()  # before anything was there
    load_small(small_workbook())
    assert build.was_cut_short()
    (data_folder / "demo").write_text("complete 2026-03-04\n")
    assert not build.was_cut_short()


LOADED_AT_ONCE = """
import sys
from config.cli import set_up_django
set_up_django()
from config.commands import demo
from fleet.demo import build
build.build = lambda *given: print("loading", given[2:])
demo.bring_demo(7, 50)
"""  # what a load does is long, and another test's


@pytest.mark.any_database
def test_a_demo_that_was_cut_short_begins_again(tmp_path: Path) -> None:
    given = {"SUMPWISE_DATA": str(tmp_path), "PYTHONPATH": str(settings.BASE_DIR)}
    once([sys.executable, "-m", "config", "migrate"], given)
    once([sys.executable, "-m", "tests.served.set_up"], given)
    (tmp_path / "demo").write_text("begun 2026-03-04\n")
    for folder in ("uploads", "files"):
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / "half").touch()
    said = once([sys.executable, "-c", LOADED_AT_ONCE], given)
    assert "was cut short while it was loaded: it begins again" in said
    assert "loading (7, 50)" in said
    assert not list(tmp_path.glob("*/half"))
    with closing(sqlite3.connect(tmp_path / "sumpwise.sqlite3")) as found:
        counts = [
            found.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("vehicles_vehicle", "people_person", "stores_gradelimit")
        ]
    assert counts[:2] == [0, 0]
    assert counts[2] > 0  # what a new database brings along


def test_a_cut_short_demo_on_a_server_is_not_cleared(
    data_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "SERVED", True)
    with pytest.raises(Fault, match="name an empty database"):
        command._clear()
