"""``sumpwise trial`` as typed."""

import json
from pathlib import Path

import pytest

from config.cli import parser
from config.commands import trial as command
from fleet.faults import Fault
from fleet.trials.models import Rating, Trial, TrialResult
from tests.scene import service, van
from tests.trials.field import alike, begun, person, products, rated

pytestmark = pytest.mark.django_db

KEYS = [
    "state",
    "difference",
    "low",
    "high",
    "p_value",
    "verdict",
    "vehicles_needed",
    "break_even_km",
]


def run(*words: str) -> int:
    return command.run(parser().parse_args(["trial", *words]))


def test_the_keys_are_exactly_those_promised(capsys: pytest.CaptureFixture[str]) -> None:
    rated(begun(8), alike)
    assert run("Dearer gearbox oil", "--as-of", "2026-06-15", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert list(shown) == KEYS
    assert (shown["state"], shown["p_value"]) == ("interim", None)


def test_after_its_end_the_command_gives_the_one_evaluation(
    capsys: pytest.CaptureFixture[str],
) -> None:
    field = begun(8)
    rated(field, alike)
    Trial.objects.update(ends_on="2026-06-14")
    assert run("Dearer gearbox oil", "--as-of", "2026-06-15", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert (shown["state"], shown["verdict"]) == ("final", "no difference shown")
    assert 0 < shown["p_value"] <= 1


def test_a_trial_is_not_evaluated_as_of_a_day_to_come() -> None:
    begun(2)
    with pytest.raises(Fault, match="has not come yet"):
        run("Dearer gearbox oil", "--as-of", "2999-01-01")
    assert not TrialResult.objects.exists()


def test_ending_early_by_command_names_the_supervisor(capsys: pytest.CaptureFixture[str]) -> None:
    field = begun(8)
    rated(field, alike)
    with pytest.raises(Fault, match="--by NAME"):
        run("Dearer gearbox oil", "--end-early", "harm")
    Trial.objects.update(ends_on="2999-01-01")
    person("Sura", "supervisor", field.vans[0].depot)
    assert run("Dearer gearbox oil", "--end-early", "shavings found", "--by", "sura") == 0
    assert "ended early by Sura: shavings found" in capsys.readouterr().out


def test_people_read_the_verdict_and_the_missing(capsys: pytest.CaptureFixture[str]) -> None:
    field = begun(12)
    rated(field, alike)
    silent = field.places[0]
    silent.ratings.all().delete()
    run("dearer-gearbox-oil", "--as-of", "2026-06-15")
    shown = capsys.readouterr().out
    assert "Verdict on the tried product: interim" in shown
    assert "without interval or p" in shown
    assert f"never rated: {silent.vehicle.fleet_number}" in shown
    assert "Pays from" in shown


def test_a_trial_is_set_up_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    service(km=60_000).compartment.save()
    van("V-1").vehicle_type.compartments.update(service_refill_l=1.5)
    numbers = ["V-1", *(van(f"V-{number}").fleet_number for number in range(2, 9))]
    products()
    code = run(
        *("New oil", "--set-up", "--service", "van/gearbox-oil", "--usual", "usual-oil"),
        *("--tried", "dearer-oil", "--usual-price", "12", "--tried-price", "15.60"),
        *("--vehicles", ",".join(numbers), "--source", "price list", "--seed", "3"),
        *("--few-because", "no more vans of the type"),
    )
    assert code == 0
    assert "interim" in capsys.readouterr().out
    trial = Trial.objects.get(slug="new-oil")
    assert trial.vehicles.count() == 8
    assert trial.groups.get(tried=True).price_minor_per_l == 1_560


def test_what_is_missing_to_set_up_is_named() -> None:
    with pytest.raises(Fault, match="--service, --usual"):
        run("New oil", "--set-up")


def test_a_sheet_with_refused_rows_ends_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begun(2)
    path = tmp_path / "ratings.csv"
    path.write_text("Fleet number,Date,Rating\nV-1,2026-03-01,4\nV-2,2026-03-01,9\n")
    assert run("dearer-gearbox-oil", "--ratings", str(path)) == 1
    shown = capsys.readouterr().out
    assert "ratings.csv: 1 taken, 1 refused." in shown
    assert "row 3: A rating is a whole number" in shown
    assert Rating.objects.count() == 1


def test_an_unknown_trial_names_those_that_are_known() -> None:
    begun(2)
    with pytest.raises(Fault, match="Known: dearer-gearbox-oil"):
        run("another")


def test_without_a_name_trials_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run() == 0
    assert "There is no trial yet" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["12,50", "-1", "1.005", "nan"])
def test_a_price_that_is_none_is_told(text: str) -> None:
    with pytest.raises(Fault, match="is no price"):
        command._minor(text)
