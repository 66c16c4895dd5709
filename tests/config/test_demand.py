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
from fleet.stores.models import Item
from tests import scene
from tests.consumables.test_demand import due_on, months_ahead
from tests.stores import shelf

pytestmark = pytest.mark.django_db
KEYS = [
    *("depot", "item", "name", "unit", "month", "mean", "cumulative", "p50", "p80", "p95"),
    *("on_hand", "usable", "free", "pack", "packs", "order_by", "runs_out"),
]


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
    assert (row["name"], row["unit"], row["pack"]) == ("Brake fluid", "mL", 500)
    assert (row["mean"], row["cumulative"], row["p95"]) == (1500, 1500, 1500)
    # the depot keeps none of it, so none is ordered there
    assert (row["on_hand"], row["free"], row["packs"], row["order_by"]) == (0, -1500, None, None)


def test_the_table_has_the_unit_and_the_stock(capsys: pytest.CaptureFixture[str]) -> None:
    shelf.stock(Item.objects.get(), on_hand=400)
    forecast_demand(scene.NOW.date(), [scene.depot().pk])
    assert cli.main(["demand"]) == 0
    heading, row, _ = capsys.readouterr().out.splitlines()
    assert heading.split()[-6:] == ["Pack", "Order", "Order", "by", "Runs", "out"]
    # by hand: 1.5 L of August, .4 L there: 1.1 L lacking; the .4 L last 31 * 4/15 days of August
    assert row.split() == [
        *("plain", "brake-fluid", "2026-08", "1,500.0", "1,500.0", "1,500", "mL", "400", "400"),
        *("-1,100", "500", "–", "–", "2026-08-09"),
    ]


def test_the_same_is_printed_as_csv(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demand", "--csv"]) == 0
    heading, row = csv.reader(StringIO(capsys.readouterr().out))
    assert (heading, row[:5]) == (
        KEYS,
        ["plain", "brake-fluid", "Brake fluid", "mL", "2026-08"],
    )


def test_a_spreadsheet_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "demand.xlsx"
    assert cli.main(["demand", "--xlsx", str(file)]) == 0
    heading, row = CalamineWorkbook.from_path(file).get_sheet_by_index(0).to_python()
    assert (heading, row[1], row[5]) == (KEYS, "brake-fluid", 1500)
    assert str(file) in capsys.readouterr().out


def test_without_a_name_the_spreadsheet_lies_in_this_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["demand", "--xlsx"]) == 0
    assert (tmp_path / "demand.xlsx").exists()


def test_a_place_that_cannot_be_written_to_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["demand", "--xlsx", str(tmp_path / "nowhere" / "demand.xlsx")]) == 1
    assert "demand.xlsx cannot be written" in capsys.readouterr().err


def test_months_and_depots_narrow_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demand", "--months", "2"]) == 0
    assert "Nothing is forecast" in capsys.readouterr().out
    assert cli.main(["demand", "--depot", "nowhere"]) == 1
    assert "There is no depot 'nowhere': choose from plain." in capsys.readouterr().err


def test_a_number_of_months_that_makes_no_sense_is_wrong_usage() -> None:
    assert cli.main(["demand", "--months", "0"]) == 2
