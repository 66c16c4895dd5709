"""The command: figures for people and programs."""

import json

import pytest

from config.cli import main
from fleet.due.models import BacktestResult
from tests.due.loaded import load
from tests.generator import Rules

pytestmark = pytest.mark.django_db


@pytest.fixture
def day() -> str:
    return load(Rules((100.0,)), 6, 3, seed=3).date().isoformat()


def test_programs_get_the_figures_by_distance_and_by_days(
    day: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backtest", "--as-of", day, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    keys = {"n", "crps", "skill_last_90", "skill_lifetime", "coverage_80", "coverage_95"}
    assert keys | {"bias_days"} <= set(result["distance"]["15000"])
    assert keys | {"bias_km"} <= set(result["horizon"]["180"])
    assert BacktestResult.objects.get().result == result


def test_people_get_a_table(day: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backtest", "--as-of", day, "--class", "bus@yard"]) == 0
    text = capsys.readouterr().out
    assert "of 6 vehicles, made at month ends from" in text
    assert "15000 km" in text
    assert "Distance covered after" in text


def test_verdicts_are_put_to_the_test_without_touching_anything(
    day: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backtest", "--as-of", day, "--verdicts", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert list(result["trials"]) == ["single faults", "lasting breaks", "back-dated entries"]
    figures = {"recall", "right_reason", "false_alarms_beside_faults", "skill_loss", "kinds"}
    assert figures <= set(result["trials"]["single faults"])
    assert not BacktestResult.objects.exists()


def test_a_trial_reads_well(day: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backtest", "--as-of", day, "--verdicts"]) == 0
    text = capsys.readouterr().out
    assert "False alarms on them as they stand:" in text
    assert "back-dated entries:" in text


def test_nothing_to_score_is_said_in_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backtest"]) == 1
    assert "Nothing to score yet" in capsys.readouterr().err
