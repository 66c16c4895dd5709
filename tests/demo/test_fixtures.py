"""The rows of fixtures/*.csv: each has a source, and together they are a sound workbook."""

import csv
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from django.conf import settings

from fleet.demo.build import FILES, GENERATED, build_demo_book
from fleet.demo.fixtures import lines
from fleet.due.models import Service
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workbook.load import load
from fleet.workbook.sheets import SHEETS
from fleet.workorders.models import Procedure
from fleet.workorders.validate import all_faults

TODAY = date(2026, 3, 4)
NOW = datetime(2026, 3, 4, 8, 0, tzinfo=UTC)
FIXTURES = sorted((settings.BASE_DIR / "fixtures").glob("*.csv"))


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: path.stem)
def test_every_row_has_a_source(path: Path) -> None:
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows
    assert all((row.get("Source") or row.get("source") or "").strip() for row in rows)


def test_every_sheet_has_its_file() -> None:
    names = {FILES.get(s.name, s.name.lower().replace(" ", "-")) for s in SHEETS}
    generated = {name.lower().replace(" ", "-") for name in GENERATED}
    assert names - generated <= {path.stem for path in FIXTURES}


def test_dates_count_from_today() -> None:
    (first, *_) = lines("closures", date(2026, 2, 20))
    assert first["Closed on"] == "2026-03-09"  # 17 days on, counted by hand


def test_there_are_48_vans_of_three_types_at_three_depots() -> None:
    vans = lines("vehicles", TODAY)
    assert len(vans) == 48
    assert len({van["Vehicle type"] for van in vans}) == 3
    assert len({van["Depot"] for van in vans}) == 3
    assert all(van["Registration"].startswith("DEMO ") for van in vans)


@pytest.mark.django_db
def test_the_demo_is_a_workbook_that_loads_without_a_doubt(tmp_path: Path) -> None:
    build_demo_book(tmp_path / "demo.xlsx", TODAY)
    loaded = load(tmp_path / "demo.xlsx", now=NOW)
    assert loaded.warnings == ()
    assert Vehicle.objects.count() == 48
    assert load(tmp_path / "demo.xlsx", now=NOW).changes == 0


@pytest.fixture
def demo_fleet(db: None, tmp_path: Path) -> None:
    build_demo_book(tmp_path / "demo.xlsx", TODAY)
    load(tmp_path / "demo.xlsx", now=NOW)


@pytest.mark.usefixtures("demo_fleet")
def test_every_service_of_the_demo_has_a_sound_procedure() -> None:
    assert all_faults() == {}
    assert not Service.objects.filter(procedure=None).exists()


@pytest.mark.usefixtures("demo_fleet")
def test_the_gearbox_procedure_follows_the_worked_example() -> None:
    # worked example, common practice, no source: fill plug opened before the drain plug, vehicle
    # level, full when it just spills, a new washer on each plug, run in neutral, look for leaks;
    # 29, 33 and 18 lbf·ft; a spare for the clips of the shield
    procedure = Procedure.objects.get(
        service__slug="gearbox-oil", service__vehicle_type__slug="pv-l"
    )
    kinds = list(procedure.steps.values_list("kind", flat=True))
    assert kinds.index("open fill plug") < kinds.index("open drain plug")
    assert "spills" in procedure.steps.get(kind="fill").text
    assert "neutral" in procedure.steps.get(kind="run").text
    assert {round(row.torque_nm, 5) for row in procedure.fasteners.all()} == {
        39.31872,
        44.74199,
        24.40472,
    }
    washers = procedure.materials.filter(kind="seal")
    assert [(row.fastener, row.pieces) for row in washers] == [("drain-plug", 1), ("fill-plug", 1)]
    assert procedure.materials.filter(kind="breakage spare", name__contains="clip").exists()


@pytest.mark.django_db
def test_every_compartment_of_the_demo_has_a_service(tmp_path: Path) -> None:
    build_demo_book(tmp_path / "demo.xlsx", TODAY)
    load(tmp_path / "demo.xlsx", now=NOW)
    assert Compartment.objects.count() == 13  # counted in compartments.csv
    assert not Compartment.objects.filter(services=None).exists()
    assert not Compartment.objects.filter(accepted_fluids=None).exists()
