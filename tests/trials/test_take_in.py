"""Ratings and samples by sheet: every row is told what became of it; again changes nothing."""

from datetime import date
from pathlib import Path

import pytest
import xlsxwriter  # type: ignore[import-untyped]

from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.readings.spreadsheet import SpreadsheetFault
from fleet.trials.lab import gather_samples
from fleet.trials.listing import ratings_of
from fleet.trials.models import LabSample, Rating
from fleet.trials.rate import LabLimits, name_property
from fleet.trials.take_in import take_in_ratings, take_in_samples
from fleet.vehicles.models import Vehicle
from tests.kept import kept
from tests.scene import NOW, depot
from tests.trials.field import PROGRAM, Field, person

pytestmark = pytest.mark.django_db
IRON = LabLimits(name="Iron", slug="iron", unit="mg/kg", high=120, source="invented")

SHEET = """Trial of gearbox oil;;;
Fleet number;Rated on;Rating;Temperature [°C]
V-1;2026-01-10;4;-3
V-2;12.01.2026 08:30;3;
v-1;2026-01-20;6;
V-9;2026-01-20;3;
V-2;nonsense;3;
V-2;2024-01-20;3;
V-1;2026-02-01;2.5;
"""


@kept
def field(two: Field) -> Field:
    return two


def sheet(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "ratings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_each_row_is_taken_or_told_why_not(field: Field, tmp_path: Path) -> None:
    told = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, SHEET))
    assert told.counts == {"taken": 2, "repeated": 0, "refused": 5}
    messages = {row.row: row.message for row in told.rows if row.message}
    assert "from 1 (worst) to 5 (best)" in messages[5]
    assert "No vehicle V-9" in messages[6]
    assert messages[7].startswith("The date holds “nonsense”")
    assert "runs from 1 Dec 2025" in messages[8]
    assert "whole number" in messages[9]


def test_what_was_taken_has_its_time_temperature_and_fluid_age(
    field: Field, tmp_path: Path
) -> None:
    take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, SHEET))
    first, second = Rating.objects.order_by("rated_at")
    assert (first.value, first.temperature_c, first.warmth) == (4, -3, "freezing")
    assert first.age_d == 40  # 1 December to 10 January
    assert first.age_km == pytest.approx(4_000, abs=1)
    assert second.rated_at.isoformat() == "2026-01-12T08:30:00+00:00"


def test_the_same_sheet_again_changes_nothing(field: Field, tmp_path: Path) -> None:
    path = sheet(tmp_path, SHEET)
    take_in_ratings(PROGRAM, field.trial, path)
    assert take_in_ratings(PROGRAM, field.trial, path).counts["repeated"] == 2
    assert Rating.objects.count() == 2


def test_a_day_of_a_rater_counts_once(field: Field, tmp_path: Path) -> None:
    text = "Vehicle,Date,Grade,Driver\nV-1,2026-01-10,4,Ada\nV-1,2026-01-10,3,ada\n"
    told = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, text))
    assert told.counts == {"taken": 1, "repeated": 0, "refused": 1}
    assert (
        told.rows[1].message
        == "V-1 is rated by ada on 10 Jan 2026 twice here: leave one of them out."
    )
    more = "Vehicle,Date,Grade,Driver\nV-1,2026-01-10 15:00,2,Ada\nV-1,2026-01-10,2,Bo\n"
    told = take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, more))
    assert told.counts == {"taken": 1, "repeated": 0, "refused": 1}
    assert told.rows[0].message == (
        "V-1 is rated by Ada on 10 Jan 2026 already, 4; a day counts once. Correct it to 2? "
        "Write yes in a column Corrects."
    )
    right = "Vehicle,Date,Grade,Driver,Corrects\nV-1,2026-01-10,2,Ada,Yes\n"
    assert take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, right)).counts["taken"] == 1
    assert sorted(ratings_of([field.trial.pk]).values_list("by", "value")) == [
        ("Ada", 2),
        ("Bo", 2),
    ]


def test_a_value_far_beyond_its_limit_is_asked_about_and_kept_with_its_reason(
    field: Field, tmp_path: Path
) -> None:
    name_property(PROGRAM, field.trial, IRON)
    head = "Vehicle,Date,Property,Value,Report,Why it stands\n"
    row = "V-1,2026-01-10,Iron,1300,R-1,"
    told = take_in_samples(PROGRAM, field.trial, sheet(tmp_path, f"{head}{row}\n"))
    assert told.rows[0].message == (
        "1,300 mg/kg of Iron is more than ten times its limit, 120: look at the report again. If "
        "it stands there, say why it stands. It goes in a column Why it stands."
    )
    again = sheet(tmp_path, f"{head}{row}bearing found broken\n")
    assert take_in_samples(PROGRAM, field.trial, again).counts["taken"] == 1
    assert LabSample.objects.get().why_it_stands == "bearing found broken"


@pytest.mark.parametrize(
    ("limits", "value", "asked"),
    [
        ({"high": 120}, 1_200, False),  # by hand: ten times 120
        ({"low": 20}, 2, False),  # a tenth of 20
        ({"low": 20}, 1.9, True),
        ({"low": 20, "high": 30}, 60, False),  # twice 30
        ({"low": 20, "high": 30}, 61, True),
        ({"low": 20, "high": 30}, 10, False),  # half of 20
        ({"low": 20, "high": 30}, 9.9, True),
        ({"low": -40, "high": -20}, 5, False),
    ],
)
def test_what_is_far_beyond_a_limit_begins_after_ten_times_or_between_two_after_twice(
    field: Field, tmp_path: Path, limits: dict[str, float], value: float, asked: bool
) -> None:
    named = {"name": "Worth", "slug": "worth", "unit": "mm", "source": "our choice"}
    name_property(PROGRAM, field.trial, LabLimits(**named, **limits))  # type: ignore[arg-type]
    head = "Vehicle,Date,Property,Value,Report\n"
    text = f"{head}V-1,2026-01-10,Worth,{value},R-1\n"
    told = take_in_samples(PROGRAM, field.trial, sheet(tmp_path, text))
    assert told.counts["refused"] == asked, told.rows


def test_a_workbook_is_taken_as_well(field: Field, tmp_path: Path) -> None:
    Vehicle.objects.filter(fleet_number="V-2").update(fleet_number="12")
    path = tmp_path / "ratings.xlsx"
    with xlsxwriter.Workbook(path) as sheet_rows:
        page = sheet_rows.add_worksheet()
        page.write_row(0, 0, ["Fleet number", "Date", "Rating"])
        page.write_string(1, 0, "V-1")
        page.write_datetime(1, 1, date(2026, 1, 10), sheet_rows.add_format({"num_format": 14}))
        page.write_number(1, 2, 5)
        page.write_number(2, 0, 12)  # a cell of digits is a number to a spreadsheet
        page.write_datetime(2, 1, date(2026, 1, 10), sheet_rows.add_format({"num_format": 14}))
        page.write_number(2, 2, 4)
    assert take_in_ratings(PROGRAM, field.trial, path).counts["taken"] == 2
    assert Rating.objects.get(trial_vehicle__vehicle__fleet_number="12").value == 4


def test_a_sheet_without_headings_is_refused_whole(field: Field, tmp_path: Path) -> None:
    with pytest.raises(SpreadsheetFault, match="Fleet number, Date, Rating"):
        take_in_ratings(PROGRAM, field.trial, sheet(tmp_path, "a,b\n1,2\n"))


def test_a_vehicle_of_another_depot_is_not_known(field: Field, tmp_path: Path) -> None:
    clerk = Actor(person("Cleo", Role.CLERK, depot("hill")), "page", NOW)
    text = "Vehicle,Date,Rating\nV-1,2026-01-10,4\n"
    assert take_in_ratings(clerk, field.trial, sheet(tmp_path, text)).counts["refused"] == 1


def test_samples_come_with_their_report(field: Field, tmp_path: Path) -> None:
    name_property(
        PROGRAM,
        field.trial,
        LabLimits(name="Iron", slug="iron", unit="mg/kg", high=100, source="our choice"),
    )
    text = (
        "Fleet number,Drawn on,Property,Value,Report\nV-1,2026-03-01,iron,21.5,L-7\n"
        "V-2,2026-03-01,copper,3,L-7\nV-2,2026-03-01,Iron,30,\n"
    )
    told = take_in_samples(PROGRAM, field.trial, sheet(tmp_path, text))
    assert told.counts == {"taken": 1, "repeated": 0, "refused": 2}
    kept = LabSample.objects.get()
    assert (kept.value, kept.report) == (21.5, "L-7")
    assert gather_samples(field.trial, NOW).fluid.age_km[0] == pytest.approx(9_000)
