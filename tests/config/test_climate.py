"""What ``sumpwise climate`` prints and keeps."""

import json
from datetime import date, timedelta
from pathlib import Path

import pytest

from config import cli
from fleet.vehicles.models import ClimateMonth
from tests import scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def file(tmp_path: Path) -> str:
    scene.depot()
    days = [date(2025, 3, 1) + timedelta(days=at) for at in range(50)]  # March and 19 days of April
    path = tmp_path / "days.csv"
    path.write_text("\n".join(["DATE,TMAX,TMIN", *(f"{on},156,32" for on in days)]))
    return str(path)


def test_the_months_are_kept_and_told(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["climate", file, "--depot", "plain"]) == 0
    said = capsys.readouterr().out
    assert "2025-03    15.6    3.2 °C  31 days, new" in said
    assert "2025-04  refused: 19 days" in said
    assert ClimateMonth.objects.get().mean_daily_max_c == 15.6


def test_programs_read_the_same(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["climate", file, "--depot", "plain", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [month["outcome"] for month in told["months"]] == ["new", "refused"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["nowhere.csv", "--depot", "plain"], "cannot be opened"),
        (["nowhere.csv", "--depot", "x"], "There is no depot x. Known: plain."),
    ],
)
def test_what_is_not_there_is_said(
    given: list[str], said: str, file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["climate", *given]) == 1
    assert said in capsys.readouterr().err
