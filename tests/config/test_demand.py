"""What ``sumpwise demand`` prints and writes."""

import csv
import json
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from python_calamine import CalamineWorkbook

from config import cli
from fleet.consumables.demand import forecast_demand
from tests import scene
from tests.consumables.test_demand import due_on, months_ahead

pytestmark = pytest.mark.django_db
KEYS = ["depot", "item", "month", "mean", "p50", "p80", "p95", "packs", "order_by"]


@pytest.fixture(autouse=True)
def forecast() -> object:
    with time_machine.travel(scene.NOW, tick=False):
        due_on(months_ahead(2).replace(day=9))
        forecast_demand(scene.NOW.date(), [scene.depot().pk])
        yield


def test_the_promised_keys_are_printed_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demand", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert list(row) == KEYS
    assert (row["depot"], row["item"], row["month"]) == ("plain", "brake-fluid", "2026-08")
    assert (row["mean"], row["p95"], row["packs"], row["order_by"]) == (1500, 1500, 3, None)


def test_the_same_is_printed_as_csv(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demand", "--csv"]) == 0
    heading, row = csv.reader(StringIO(capsys.readouterr().out))
    assert (heading, row[:3]) == (KEYS, ["plain", "brake-fluid", "2026-08"])


def test_a_spreadsheet_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "demand.xlsx"
    assert cli.main(["demand", "--xlsx", str(file)]) == 0
    heading, row = CalamineWorkbook.from_path(file).get_sheet_by_index(0).to_python()
    assert (heading[:9], row[1], row[6]) == (KEYS, "brake-fluid", 1500)
    assert str(file) in capsys.readouterr().out


def test_without_a_name_the_spreadsheet_lies_in_this_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["demand", "--xlsx"]) == 0
    assert (tmp_path / "demand.xlsx").exists()


def test_months_and_depots_narrow_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demand", "--months", "2"]) == 0
    assert "Nothing is forecast" in capsys.readouterr().out
    assert cli.main(["demand", "--depot", "nowhere"]) == 1
    assert "There is no depot 'nowhere': choose from plain." in capsys.readouterr().err


def test_a_number_of_months_that_makes_no_sense_is_wrong_usage() -> None:
    assert cli.main(["demand", "--months", "0"]) == 2
