"""What ``sumpwise due`` prints. Dates are laid out by hand around the depot's today."""

import csv
import io
import json
from collections.abc import Iterator
from datetime import date, timedelta

import pytest
import time_machine

from config import cli
from fleet.due.models import DueDate, DueEarlier, Service
from tests.cast import Cast, cast

pytestmark = pytest.mark.django_db
TODAY = date(2026, 5, 12)
KEYS = [  # promised to programs that read the list
    *("vehicle", "depot", "compartment", "service", "state", "p10", "p50", "p90"),
    *("bring_in_by", "binding_limit", "binding_probability", "life_used", "remaining_km"),
    *("duty_class", "limit_reached"),
]


@pytest.fixture
def fleet() -> Iterator[Cast]:
    people = cast()
    service = Service.objects.create(
        vehicle_type=people.van_type,
        compartment=people.engine,
        slug="engine-oil",
        name="Engine oil",
        source="invented for the tests",
    )
    due(people.van.pk, service, people.plain.pk, TODAY - timedelta(days=3))
    due(people.second_van.pk, service, people.plain.pk, date(2026, 5, 31))
    due(people.hill_van.pk, service, people.hill.pk, date(2026, 6, 1))
    with time_machine.travel("2026-05-12T10:00:00Z", tick=False):
        yield people


def due(vehicle: int, service: Service, depot: int, expected_on: date) -> DueDate:
    return DueDate.objects.create(
        vehicle_id=vehicle,
        service=service,
        depot_id=depot,
        sort_on=expected_on,
        history_known=True,
        p50=expected_on,
        beyond_by_reading=expected_on < TODAY,
        binding_limit="km",
        binding_probability=0.93456789,
        meter_life=0.5,
        remaining_km=1234.56,
        duty_class="severe",
        inputs_hash=1,
    )


def listed(capsys: pytest.CaptureFixture[str], *options: str) -> list[str]:
    assert cli.main(["due", "--json", *options]) == 0
    return [row["vehicle"] for row in json.loads(capsys.readouterr().out)]


def test_the_soonest_stands_first(fleet: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    assert listed(capsys) == ["V-101", "V-102", "V-201"]


def test_the_json_keys_are_those_promised(fleet: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["due", "--json", "--vehicle", "V-102"])
    (row,) = json.loads(capsys.readouterr().out)
    assert list(row) == KEYS
    assert (row["p10"], row["p50"], row["state"]) == (None, "2026-05-31", "due_this_month")
    assert (row["remaining_km"], row["binding_probability"]) == (1234.6, 0.9346)


@pytest.mark.parametrize(
    ("options", "vehicles"),
    [
        (["--overdue"], ["V-101"]),
        (["--this-month"], ["V-102"]),
        (["--overdue", "--this-month"], ["V-101", "V-102"]),
        (["--until", "2026-05-31"], ["V-101", "V-102"]),
        (["--depot", "hill"], ["V-201"]),
        (["--depot", "HILL", "--depot", "plain"], ["V-101", "V-102", "V-201"]),
        (["--vehicle", " v-201 "], ["V-201"]),
        (["--vehicle", "V-201", "--overdue"], []),
    ],
)
def test_options_narrow_the_list(
    fleet: Cast, capsys: pytest.CaptureFixture[str], options: list[str], vehicles: list[str]
) -> None:
    assert listed(capsys, *options) == vehicles


def test_people_get_a_table_with_a_count(fleet: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["due", "--overdue"])
    heading, row, count = capsys.readouterr().out.splitlines()
    assert heading.split()[:2] == ["Vehicle", "Depot"]
    assert row.split()[:4] == ["V-101", "plain", "engine-oil", "overdue"]
    assert count == "1 service."


@pytest.mark.parametrize(("called", "said"), [(False, "calendar"), (True, "day of the call")])
def test_a_day_that_something_called_for_is_no_limit_by_calendar(
    fleet: Cast, capsys: pytest.CaptureFixture[str], called: bool, said: str
) -> None:
    """As lists and *Why* say it; the code for programs stays."""
    on = TODAY + timedelta(days=9)
    found = DueDate.objects.filter(vehicle=fleet.van)
    found.update(binding_limit="calendar", calendar_on=on, p50=on, sort_on=on)
    if called:
        DueEarlier.objects.create(
            vehicle=fleet.van, service=found.get().service, called_on=TODAY, due_on=on,
            reason="a sample failed",
        )  # fmt: skip
    cli.main(["due", "--vehicle", "V-101"])
    (heading, row, _) = capsys.readouterr().out.splitlines()
    at = heading.index("Limit reached first")
    assert row[at:].startswith(f"{said}  ")
    cli.main(["due", "--json", "--vehicle", "V-101"])
    (told,) = json.loads(capsys.readouterr().out)
    assert (told["binding_limit"], told["limit_reached"]) == ("calendar", said)
    cli.main(["due", "--csv", "--vehicle", "V-101"])
    (told,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert told["limit_reached"] == said


def test_csv_has_the_same_columns(fleet: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["due", "--csv"])
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert list(rows[0]) == KEYS
    assert [row["vehicle"] for row in rows] == ["V-101", "V-102", "V-201"]


def test_a_name_that_looks_like_a_formula_is_defused_in_csv(
    fleet: Cast, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet.van.fleet_number = "=1+1"
    fleet.van.save()
    cli.main(["due", "--csv", "--overdue"])
    assert "'=1+1," in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--depot", "nowhere"], "There is no depot 'nowhere'; there are: hill, plain."),
        (["--vehicle", "V-999"], "No vehicle has the fleet number 'V-999'."),
    ],
)
def test_unknown_names_are_said_not_shown_as_an_empty_list(
    fleet: Cast, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    assert cli.main(["due", *options]) == 1
    assert capsys.readouterr().err == f"sumpwise: {said}\n"


def test_an_unknown_service_names_those_there_are(
    fleet: Cast, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["explain", "V-101", "gearbox"]) == 1
    assert "it has: engine-oil." in capsys.readouterr().err
