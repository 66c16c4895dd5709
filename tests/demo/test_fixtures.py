"""The rows of fixtures/*.csv: each has a source, and together they are a sound workbook."""

import csv
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from django.conf import settings

from fleet.demo.as_workbook import FILES, GENERATED, OF_WORKSHOPS, drives, records_of, whole
from fleet.demo.fixtures import lines
from fleet.demo.own_work import MECHANICS
from fleet.demo.past import written
from fleet.due.models import Service
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workbook.cells import WEEKDAYS
from fleet.workbook.load import Loaded, load
from fleet.workbook.sheets import SHEETS
from fleet.workorders.models import Fastener, Material, Procedure, ReCheckRule, Step
from fleet.workorders.rules import printed_only, told_otherwise
from fleet.workorders.validate import all_faults
from tests.kept import kept

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
    generated = {name.lower().replace(" ", "-") for name in GENERATED + OF_WORKSHOPS}
    assert names - generated <= {path.stem for path in FIXTURES}


def test_dates_count_from_today() -> None:
    (first, *_) = lines("closures", date(2026, 2, 20))
    assert first["Closed on"] == "2026-03-09"  # 17 days on, counted by hand


def test_there_are_48_vans_of_four_types_at_three_depots() -> None:
    vans = lines("vehicles", TODAY)
    assert len(vans) == 48
    assert len({van["Vehicle type"] for van in vans}) == 4
    assert len({van["Depot"] for van in vans}) == 3
    assert all(van["Registration"].startswith("DEMO ") for van in vans)


def load_demo_fleet() -> Loaded:
    """The fleet as it stands today, as the demo writes it, from its file."""
    with written(whole(drives(TODAY), records_of(TODAY, TODAY), TODAY)) as path:
        return load(path, now=NOW)


def test_on_every_open_day_of_a_depot_a_mechanic_works_who_is_there_that_day() -> None:
    """Also on those on which vans only come back: at Zarrovend Plain it is open on Saturdays."""
    there = [
        (line["Depot"], line["Person"], WEEKDAYS.read(line["Works on"]))
        for line in lines("mechanics", TODAY)
    ]
    for depot in lines("depots", TODAY):
        week = WEEKDAYS.read(depot["Working days"])
        for day in (at for at, is_open in enumerate(week) if is_open == "1"):
            name = MECHANICS[depot["Depot"]][day]
            assert [
                days[day] for at, who, days in there if (at, who) == (depot["Depot"], name)
            ] == ["1"]


@pytest.mark.django_db
def test_the_demo_is_a_workbook_that_loads_without_a_doubt() -> None:
    loaded = load_demo_fleet()
    assert loaded.warnings == ()
    assert Vehicle.objects.count() == 48
    assert load_demo_fleet().changes == 0


@kept
def demo_fleet() -> None:
    load_demo_fleet()


@pytest.mark.usefixtures("demo_fleet")
def test_every_service_of_the_demo_has_a_sound_procedure() -> None:
    assert all_faults() == {}
    again = ReCheckRule.objects.values("service")  # on-call services of rules need no card
    assert not Service.objects.filter(procedure=None).exclude(pk__in=again).exists()


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
    assert procedure.materials.filter(kind="one-time fixing", name__contains="clip").exists()


@pytest.mark.usefixtures("demo_fleet")
def test_every_compartment_of_the_demo_has_a_service() -> None:
    assert Compartment.objects.count() == 31  # counted in compartments.csv
    assert not Compartment.objects.filter(services=None).exists()
    assert not Compartment.objects.filter(accepted_fluids=None).exists()


# --- what a workshop would miss: common practice, no source, unless said ----------------------
@pytest.mark.usefixtures("demo_fleet")
def test_no_procedure_tells_another_distance_than_its_re_check() -> None:
    assert told_otherwise() == []


@pytest.mark.usefixtures("demo_fleet")
def test_no_re_check_is_only_printed() -> None:
    assert printed_only() == []
    found = set(ReCheckRule.objects.filter(safety=True).values_list("service__slug", flat=True))
    assert found == {"wheels-again", "brakes-again", "steering-again"}  # what can hurt


@pytest.mark.usefixtures("demo_fleet")
def test_what_is_used_only_where_it_seeps_is_booked_only_when_recorded() -> None:
    rows = Material.objects.filter(only_when_recorded=True).select_related("procedure__service")
    assert [(str(row.procedure.service), row.name) for row in rows] == [
        ("Gearbox oil (Parcel van L)", "Thread sealant, tube")
    ]


@pytest.mark.usefixtures("demo_fleet")
def test_whatever_is_set_in_sealant_cures_before_it_is_wetted() -> None:
    sealed = Fastener.objects.filter(seal=Fastener.Seal.SEALANT)
    cured = Step.objects.filter(wait_min__gt=0)
    assert sealed.count() == 2  # counted in fasteners.csv
    for one in sealed:
        assert cured.filter(procedure=one.procedure, fastener=one.slug).exists(), one


@pytest.mark.usefixtures("demo_fleet")
@pytest.mark.parametrize(
    ("vehicle_type", "from_km", "to_km"),
    [
        ("pv-l", 40.2336, 80.4672),  # 25 to 50 mi
        ("pv-xl", 80.4672, 160.9344),  # R-02: 50 to 100 mi by two truck makers' manuals
    ],
)
def test_wheels_that_come_off_are_tightened_one_by_one_and_again(
    vehicle_type: str, from_km: float, to_km: float
) -> None:
    off = Procedure.objects.filter(wheels_removed=True)
    procedure = off.get(service__vehicle_type__slug=vehicle_type)
    nuts = procedure.fasteners.get(slug="wheel-nuts")
    assert nuts.torque_nm == procedure.wheel_nut_torque_nm
    step = procedure.steps.get(fastener="wheel-nuts")
    assert (step.points, step.moving_hold) == (["each wheel"], True)
    rule = procedure.re_check_rules.get(slug="wheels")
    assert (rule.fastener, rule.safety) == ("wheel-nuts", True)
    assert (rule.from_km, rule.to_km) == (pytest.approx(from_km), pytest.approx(to_km))


@pytest.mark.usefixtures("demo_fleet")
@pytest.mark.parametrize(
    ("service", "types"),
    [
        ("level-check", ["pv-a", "pv-e", "pv-l", "pv-xl"]),
        ("fuel-filter-water", ["pv-a", "pv-l", "pv-xl"]),  # those that burn diesel
        ("grease-points", ["pv-a", "pv-xl"]),  # a tail lift, a propeller shaft
    ],
)
def test_small_regular_work_is_there_on_each_type_that_has_it(
    service: str, types: list[str]
) -> None:
    rows = Service.objects.filter(slug=service).order_by("vehicle_type__slug")
    assert list(rows.values_list("vehicle_type__slug", flat=True)) == types
    said = "done on the driver's round"  # else an order a week for each of 48 vans
    assert all(row.limits.exists() or said in row.source for row in rows)
