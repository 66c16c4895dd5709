"""The usual criteria are a ready start, off; without any in force the reasons say so."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from django.test import Client

from fleet import chain
from fleet.due.explain import explain
from fleet.due.models import Service
from fleet.duty import assess
from fleet.duty.measures import COLUMNS, MEASURES, gather
from fleet.duty.models import Criterion, DutyAssessment
from fleet.people.models import Role
from fleet.readings.models import UsageSheet
from fleet.vehicles.models import ClimateMonth, Vehicle
from fleet.workbook.load import load
from fleet.workbook.sheets import BY_NAME
from fleet.workbook.write import write_template
from tests import cast, scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def vehicle() -> Vehicle:
    """A van whose gearbox oil was changed a year ago, in a place hot all the year."""
    oil, found = scene.service(), scene.van()
    scene.service(km=30_000, months=18, duty_class="severe")
    scene.done(found, oil, date(2025, 6, 1), 10_000)
    scene.readings(found, scene.steady(10_000, 700, 60))
    for month in range(1, 13):
        ClimateMonth.objects.create(
            depot=found.depot, month=month, mean_daily_max_c=39, mean_daily_min_c=25,
            source=scene.INVENTED,
        )  # fmt: skip
    chain.refresh([found.pk], NOW)
    return found


def usual(folder: Path) -> None:
    write_template(folder / "book.xlsx")
    load(folder / "book.xlsx", now=NOW)


def hot(**more: object) -> Criterion:
    return Criterion.objects.create(
        slug="hot", name="Hot", compartments=["gearbox"], powertrains=[], share_limit=0.25,
        conditions=[[["mean_daily_max_c", ">=", 38]]], source=scene.INVENTED, **more,
    )  # fmt: skip


def reasons(vehicle: Vehicle) -> str:
    return " ".join(explain(vehicle, Service.objects.get(), NOW).lines)


def classes(vehicle: Vehicle) -> set[str]:
    chain.refresh([vehicle.pk], NOW)
    return set(DutyAssessment.objects.filter(vehicle=vehicle).values_list("duty_class", flat=True))


def test_the_usual_criteria_come_with_the_template_each_off_and_with_its_source(
    tmp_path: Path,
) -> None:
    usual(tmp_path)
    rows = list(Criterion.objects.all())
    # method, section 4, and what is common practice besides
    wanted = {"short-trips", "stop-start", "heat-in-traffic", "hot-climate", "long-idling"}
    wanted |= {"unpaved", "load", "hills"}
    assert wanted <= {row.slug for row in rows}
    assert not any(row.in_force for row in rows)
    assert all("our choice" in row.source for row in rows)
    assert assess.criteria() == []


def test_what_is_off_judges_nothing_until_it_is_switched_on(
    vehicle: Vehicle, tmp_path: Path
) -> None:
    usual(tmp_path)
    assert classes(vehicle) == {"normal"}
    Criterion.objects.filter(slug="hot-climate").update(in_force=True)
    assert "severe" in classes(vehicle)


def test_switching_one_on_is_seen_by_the_night(vehicle: Vehicle) -> None:
    hot(in_force=False)
    chain.nightly(NOW.date())
    assert chain.nightly(NOW.date(), again=True).counts["duty rows"] == 0
    Criterion.objects.update(in_force=True)
    assert chain.nightly(NOW.date(), again=True).counts["duty rows"] > 0


def test_without_a_criterion_the_reasons_say_so(vehicle: Vehicle) -> None:
    assert "No duty criterion is entered, so nothing says when use is severe" in reasons(vehicle)
    hot(in_force=False)
    assert "Every duty criterion is switched off, so all use counts as normal" in reasons(vehicle)
    Criterion.objects.update(in_force=True, compartments=["engine"])
    assert "No duty criterion that is switched on applies to the gearbox." in reasons(vehicle)
    Criterion.objects.update(compartments=["gearbox"], powertrains=["electric"])
    assert "No duty criterion that is switched on applies to the gearbox." in reasons(vehicle)
    Criterion.objects.update(powertrains=["diesel", "petrol"], conditions=[[["km", ">", 9e9]]])
    assert "no criterion reaches its share" in reasons(vehicle)
    assert "No duty criterion" not in reasons(vehicle)


def test_the_pages_say_it_too(vehicle: Vehicle, client: Client) -> None:
    client.force_login(cast.person("Vito", Role.VIEWER, vehicle.depot))
    for address in (f"/vehicles/{vehicle.fleet_number}", "/method"):
        seen = client.get(address).content.decode()
        assert "one is entered yet" in seen or "No duty criterion is entered" in seen, address
    hot(in_force=False)
    assert '<span class="flag">off</span>' in client.get("/method").content.decode()


def test_the_sheet_names_every_measure_there_is(vehicle: Vehicle) -> None:
    months = np.arange("2026-01", "2026-03", dtype="M8[M]")
    tables = gather(np.array([vehicle.pk]), np.array([vehicle.depot_id]), months)
    assert set(MEASURES) == set(tables) | {"declared"}
    hint = BY_NAME["Duty criteria"].column("conditions").explanation
    assert all(f"{name} (" in hint for name in MEASURES)


def test_each_column_of_a_usage_sheet_is_the_measure_of_its_name(vehicle: Vehicle) -> None:
    figures = {name: 2.0 + place for place, name in enumerate(COLUMNS)}
    UsageSheet.objects.create(vehicle=vehicle, month_on=date(2026, 1, 1), source="x", **figures)
    months = np.arange("2026-01", "2026-02", dtype="M8[M]")
    found = gather(np.array([vehicle.pk]), np.array([vehicle.depot_id]), months)
    shares = {f"share_of_{name}": name for name in COLUMNS if f"share_of_{name}" in found}
    assert len(shares) == 2
    for share, part in shares.items():
        assert found[share][0, 0] == figures[part] / figures["trips"]
    for name in set(COLUMNS) - set(shares.values()):
        assert found[name][0, 0] == figures[name], name
