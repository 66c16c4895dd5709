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


@pytest.mark.any_database
def test_a_demo_that_was_cut_short_begins_again(tmp_path: Path) -> None:
    """A past of one month is the shortest; what an earlier start left is gone."""
    given = {"SUMPWISE_DATA": str(tmp_path), "PYTHONPATH": str(settings.BASE_DIR)}
    once([sys.executable, "-m", "config", "migrate"], given)
    once([sys.executable, "-m", "tests.served.set_up"], given)
    (tmp_path / "demo").write_text("begun 2026-03-04\n")
    (tmp_path / "uploads").mkdir()
    (tmp_path / "uploads" / "half").touch()
    said = once([sys.executable, "-m", "config", "demo", "--no-serve", "--months", "1"], given)
    assert "was cut short while it was loaded: it begins again" in said
    assert not (tmp_path / "uploads" / "half").exists()
    with closing(sqlite3.connect(tmp_path / "sumpwise.sqlite3")) as found:
        vans = found.execute("SELECT count(*) FROM vehicles_vehicle").fetchone()
        limits = found.execute("SELECT count(*) FROM stores_gradelimit").fetchone()
        small = found.execute("SELECT count(*) FROM vehicles_vehicle WHERE fleet_number = 'V-1'")
        assert (vans[0], limits[0] > 0, small.fetchone()[0]) == (48, True, 0)
    assert (tmp_path / "demo").read_text().startswith("complete")


def test_a_cut_short_demo_on_a_server_is_not_cleared(
    data_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "SERVED", True)
    with pytest.raises(Fault, match="name an empty database"):
        command._clear()
