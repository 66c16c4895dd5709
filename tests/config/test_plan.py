"""What ``sumpwise plan`` prints and stores."""

import json

import pytest
import time_machine

from config import cli
from fleet.visits.models import Mechanic, Plan, Workshop
from tests import scene
from tests.visits.depot import fleet

pytestmark = pytest.mark.django_db
KEYS = ["depot", "cost", "bound", "gap", "visits", "services", "left_out"]


@pytest.fixture(autouse=True)
def vans() -> object:
    with time_machine.travel(scene.NOW, tick=False):
        fleet({"V-1": (10, 12), "V-2": (20,)})
        yield


def test_the_promised_keys_are_printed_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert list(row) == [*KEYS, "lacking"]
    assert (row["depot"], row["services"], row["left_out"]) == ("plain", 3, 0)
    assert row["bound"] <= row["cost"]
    assert Plan.objects.get().depot.slug == "plain"


def test_a_dry_run_prints_and_stores_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", "--dry-run", "--weeks", "4"]) == 0
    assert "plain" in capsys.readouterr().out
    assert not Plan.objects.exists()


def test_the_table_says_what_is_not_entered(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["plan"])
    assert "No mechanic is entered at Plain" in capsys.readouterr().out


def test_an_unknown_depot_is_named_with_those_there_are(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.main(["plan", "--depot", "moon"]) != 0
    assert "choose from plain" in capsys.readouterr().err


@pytest.mark.parametrize("weeks", ["0", "27", "x", "-1"])
def test_weeks_are_one_to_twenty_six(weeks: str) -> None:
    assert cli.main(["plan", "--weeks", weeks]) == 2


def test_what_would_make_it_fit_is_said_and_nothing_is_stored(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # by hand: one visit of 30 minutes and 20 to set up, of nobody's 49; half an hour more is told
    Workshop.objects.create(depot=scene.depot(), kept_share=0.0, source="invented")
    Mechanic.objects.create(depot=scene.depot(), name="Ada", minutes=49, source="invented")
    assert cli.main(["plan", "--fit", "--weeks", "4"]) == 0
    told = capsys.readouterr().out
    assert "about 30 min more: mechanics" in told
    assert not Plan.objects.exists()
    assert cli.main(["plan", "--fit", "--weeks", "4", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert list(row) == ["depot", "left_out", "still_left_out", "more", "saves_minor"]
    assert {one["minutes"] for one in row["more"]} == {30}
    assert row["still_left_out"] < row["left_out"]
