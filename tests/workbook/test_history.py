"""Service history in a book that the odometers contradict."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from config.cli import main, parser
from fleet import chain
from fleet.due.models import ServiceDone
from fleet.vehicles.models import Vehicle
from fleet.workbook.load import load
from fleet.workbook.notes import BookRefused
from fleet.workbook.write import export, write_cells
from tests import scene
from tests.workbook.small import (
    NOW,
    Sheets,
    faults_of,
    grids,
    load_small,
    small_workbook,
    vehicle,
)

pytestmark = pytest.mark.django_db

# day, total and what is wrong with it: ten vans came on 1 June 2025 with 40,285 km
PLANTED: Sequence[tuple[date, float, str]] = [
    (date(2025, 5, 20), 390_000, "39,000 km: one digit too many"),
    (date(2025, 5, 20), 40_825, "40,285 km on 2025-06-01"),
    (date(2025, 6, 1), 400_285, "40,028 km: one digit too many"),
    (date(2025, 6, 20), 4_100, "41,000 km: one digit lost"),
    (date(2025, 6, 20), 140_000, "40,285 km on 2025-06-01"),
    (date(2024, 1, 2), 62_000, "38,525 km: converted from miles twice"),
    (date(2025, 7, 1), 26_000, "41,843 km: noted in miles"),
    (date(2025, 9, 1), 40_000, "40,285 km on 2025-06-01"),
    (date(2025, 5, 31), 1_000_000, "40,285 km on 2025-06-01"),
    (date(2026, 3, 1), 400_000, "40,285 km on 2025-06-01"),
]


def done(number: str, on: date, km: float, **more: Any) -> dict[str, Any]:
    row = small_workbook()["Service history"][0]
    return row | {"Fleet number": number, "Done on": on, "Total distance": km} | more


def ten_vans(*, right: bool) -> Sheets:
    sheets = small_workbook()
    came = {"New or used": "used", "Joined on": date(2025, 6, 1), "Odometer at joining": 40_285}
    came |= {"In service on": "", "Odometer in service": ""}
    sheets["Vehicles"] += [vehicle(f"D-{at}", **came) for at in range(len(PLANTED))]
    for at, (on, km, _) in enumerate(PLANTED):
        sheets["Service history"].append(done(f"D-{at}", on if not right else date(2025, 6, 1), km))
        if right:
            sheets["Service history"][-1]["Total distance"] = 40_285
    return sheets


def run(*words: object) -> int:
    arguments = parser().parse_args([str(word) for word in words])
    return int(arguments.run(arguments))


def write(path: Path, sheets: Sheets) -> Path:
    write_cells(path, {name: rows[1:] for name, rows in grids(sheets).items()})
    return path


def test_ten_planted_contradictions_are_each_named_at_their_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(BookRefused) as refused:
        run("fleet", "load", write(tmp_path / "book.xlsx", ten_vans(right=False)))
    first, *lines = str(refused.value).splitlines()
    assert first == "Nothing was loaded: 10 faults in the workbook."
    # data begins in row 3 of a written book, and the first row is right
    for at, (line, (_, km, why)) in enumerate(zip(lines, PLANTED, strict=True)):
        assert f"Service history, row {at + 4}, column 'Total distance': {km:,.0f} km" in line
        assert why in line
    assert not Vehicle.objects.exists()


def test_the_same_book_put_right_loads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fleet", "load", write(tmp_path / "book.xlsx", ten_vans(right=True))) == 0
    assert "doubtful" not in capsys.readouterr().out


def test_a_reason_lets_a_contradicted_total_through_and_is_kept(tmp_path: Path) -> None:
    sheets = ten_vans(right=True)
    sheets["Service history"][1] |= {
        "Total distance": 390_000,
        "Why the total stands": "it came with a swapped instrument",
    }
    assert load_small(sheets).warnings == ()
    row = ServiceDone.objects.get(vehicle__fleet_number="D-0")
    assert (row.total_km, row.why_it_stands) == (390_000, "it came with a swapped instrument")
    export(tmp_path / "book.xlsx")
    assert load(tmp_path / "book.xlsx", now=NOW).changes == 0


def test_what_the_fleet_has_already_is_warned_about_and_loads(tmp_path: Path) -> None:
    load_small(ten_vans(right=True))
    ServiceDone.objects.filter(vehicle__fleet_number="D-3").update(total_km=400_000)
    export(tmp_path / "book.xlsx")
    loaded = load(tmp_path / "book.xlsx", now=NOW)
    assert loaded.changes == 0
    (warning,) = loaded.warnings
    assert "400,000 km on 2025-06-01 does not go with" in str(warning)


def test_the_readings_of_a_known_vehicle_are_asked(tmp_path: Path) -> None:
    load_small(small_workbook())
    van = Vehicle.objects.get()
    until = datetime(2026, 3, 1, 12, tzinfo=UTC)
    scene.readings(van, scene.steady(60_000, 500, 60), every_d=7, until=until)
    van.meters.get().changes.all().delete()
    chain.refresh([van.pk], until)
    sheets = small_workbook()
    sheets["Service history"].append(done("V-1", date(2025, 9, 1), 28_000))
    (fault,) = faults_of(sheets)
    # by hand: 500 km a week, so 76,500 and 77,000 km about 1 September
    assert all(text in fault for text in ("row 3", "76,500 km", "77,000 km"))


def test_records_that_only_contradict_each_other_are_warned_about() -> None:
    sheets = small_workbook()
    sheets["Service history"].append(done("V-1", date(2025, 9, 2), 30_000))
    (warning,) = load_small(sheets).warnings
    assert "30,000 km on 2025-09-02 does not go with 31,000 km on 2024-09-02" in str(warning)


def test_the_command_line_ends_with_1_and_the_list(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("config.database.bring_up_to_date", lambda tell: None)
    path = write(tmp_path / "book.xlsx", ten_vans(right=False))
    assert main(["fleet", "load", str(path)]) == 1
    assert capsys.readouterr().err.count("Service history, row ") == 10
