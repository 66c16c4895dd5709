from collections.abc import Callable
from datetime import date

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import chain
from fleet.duty import assess
from fleet.duty.models import Criterion, DutyAssessment, DutyStamp
from fleet.readings.models import UsageSheet
from fleet.vehicles.models import ClimateMonth, Depot, DepotStay, Vehicle
from tests import scene
from tests.scene import INVENTED, NOW

pytestmark = pytest.mark.django_db

YEAR = 60  # weeks of readings: every month of the window has its distance


def hot_climate(limit_c: float = 38) -> Criterion:
    return Criterion.objects.create(
        slug="hot-climate",
        name="Hot climate",
        compartments=["engine", "gearbox"],
        powertrains=[],
        conditions=[[["mean_daily_max_c", ">=", limit_c]]],
        share_limit=0.25,
        source=INVENTED,
    )


def short_trips() -> Criterion:
    return Criterion.objects.create(
        slug="short-trips",
        name="Short trips",
        compartments=["engine"],
        powertrains=["diesel"],
        conditions=[[["share_of_trips_under_8_km", ">=", 0.5]]],
        share_limit=0.5,
        source=INVENTED,
    )


def climate(depot: Depot, hot_months: tuple[int, ...]) -> None:
    for month in range(1, 13):
        ClimateMonth.objects.create(
            depot=depot,
            month=month,
            mean_daily_max_c=40 if month in hot_months else 25,
            mean_daily_min_c=10,
            source=INVENTED,
        )


def driven(number: str = "V-1", **changes: object) -> Vehicle:
    vehicle = scene.van(number, **changes)
    scene.readings(vehicle, scene.steady(10_000, 700, YEAR))
    return vehicle


def classes(vehicle: Vehicle, kind: str) -> list[tuple[date, str]]:
    rows = DutyAssessment.objects.filter(vehicle=vehicle, compartment__kind=kind)
    return list(rows.order_by("from_on").values_list("from_on", "duty_class"))


def test_a_month_of_forty_degrees_is_hot_duty() -> None:
    # common practice, no source: a mean daily maximum of about 40 °C is hot duty
    hot_climate()
    climate(scene.depot(), tuple(range(1, 13)))
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    assert {row[1] for row in classes(vehicle, "gearbox")} == {"severe"}


def test_three_hot_months_of_twelve_make_the_year_severe() -> None:
    hot_climate()
    climate(scene.depot(), (7, 8, 9))
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    # 92 of 365 days at the same distance a day: .252
    assert classes(vehicle, "engine")[-1][1] == "severe"


def test_a_row_is_written_only_where_the_class_changes() -> None:
    hot_climate()
    climate(scene.depot(), tuple(range(1, 13)))
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    chain.refresh([vehicle.pk], NOW)
    assert len(classes(vehicle, "engine")) == 1


def test_evidence_names_every_exposure_with_its_limit() -> None:
    hot_climate()
    short_trips()
    climate(scene.depot(), tuple(range(1, 13)))
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    evidence = DutyAssessment.objects.filter(compartment__kind="engine").last().evidence
    found = {part["criterion"]: (part["exposure"], part["declared"]) for part in evidence}
    assert found == {"hot-climate": (1.0, False), "short-trips": (0.0, True)}


def test_declared_use_stands_in_where_nothing_was_measured() -> None:
    short_trips()
    vehicle = driven(declared_use=["short-trips"])
    chain.refresh([vehicle.pk], NOW)
    assert classes(vehicle, "engine")[-1][1] == "severe"
    assert classes(vehicle, "gearbox")[-1][1] == "normal"  # short trips do not touch a gearbox


def test_measured_months_outweigh_what_was_declared() -> None:
    short_trips()
    vehicle = driven(declared_use=["short-trips"])
    for month in range(1, 6):
        UsageSheet.objects.create(
            vehicle=vehicle,
            month_on=date(2026, month, 1),
            trips=100,
            trips_under_8_km=10,
            source=INVENTED,
        )
    chain.refresh([vehicle.pk], NOW)
    assert classes(vehicle, "engine")[-1][1] == "normal"


def test_the_depot_of_each_month_counts_after_a_transfer() -> None:
    hot_climate()
    plain, coast = scene.depot("plain"), scene.depot("coast")
    climate(plain, tuple(range(1, 13)))
    climate(coast, ())
    vehicle = driven(at=coast)
    DepotStay.objects.create(vehicle=vehicle, depot=plain, from_on=date(2025, 1, 1))
    DepotStay.objects.create(vehicle=vehicle, depot=coast, from_on=date(2025, 10, 1))
    chain.refresh([vehicle.pk], NOW)
    # whole months from May 2025 to February 2026, May to September of them on the plain
    exposures = assess.exposures(vehicle, date(2026, 3, 1))["engine"]
    assert exposures[0]["exposure"] == pytest.approx(153 / 304, abs=1e-4)


def test_a_year_of_its_own_goes_before_the_usual_climate() -> None:
    hot_climate()
    climate(scene.depot(), ())
    ClimateMonth.objects.create(
        depot=scene.depot(),
        year=2026,
        month=5,
        mean_daily_max_c=41,
        mean_daily_min_c=20,
        source=INVENTED,
    )
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    exposures = assess.exposures(vehicle, date(2026, 6, 1))["engine"]
    assert exposures[0]["exposure"] == pytest.approx(31 / 365, abs=0.002)


def test_month_by_month_gives_the_classes_of_one_assessment_over_all_months() -> None:
    hot_climate()
    climate(scene.depot(), (6, 7, 8, 9))
    one, other = driven("V-1"), driven("V-2")
    chain.refresh([one.pk, other.pk], NOW)
    whole = classes(one, "engine")
    DutyAssessment.objects.filter(vehicle=other).delete()
    rules = assess.rules_stamp()
    first = whole[0][0].replace(day=1)
    for month in np.arange(np.datetime64(first, "M"), np.datetime64("2026-07", "M")):
        assess.assess(np.array([other.pk]), month.astype("M8[D]").item(), rules)
    assert classes(other, "engine")[-1][1] == whole[-1][1]
    assert [row[1] for row in classes(other, "engine")] == [row[1] for row in whole]


def test_a_month_decided_again_has_its_class_changed_in_place() -> None:
    hot_climate()
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    ((from_on, before),) = classes(vehicle, "engine")
    climate(scene.depot(), tuple(range(1, 13)))
    assess.assess(np.array([vehicle.pk]), date(2026, 6, 1), assess.rules_stamp(), since_on=from_on)
    assert (before, classes(vehicle, "engine")) == ("normal", [(from_on, "severe")])


def test_a_changed_sheet_decides_again_from_its_month() -> None:
    short_trips()
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    assert classes(vehicle, "engine")[-1][1] == "normal"
    for month in range(1, 6):
        UsageSheet.objects.create(
            vehicle=vehicle,
            month_on=date(2026, month, 1),
            trips=100,
            trips_under_8_km=90,
            source=INVENTED,
        )
    rules = assess.rules_stamp()
    assess.assess(np.array([vehicle.pk]), date(2026, 6, 1), rules, since_on=date(2026, 2, 1))
    # three of twelve months measured by the end of March: a quarter of the window
    assert classes(vehicle, "engine")[-1] == (date(2026, 4, 1), "severe")


def assessments_written(again: Callable[[], object]) -> list[str]:
    with CaptureQueriesContext(connection) as asked:
        again()
    every = [one["sql"] for one in asked]
    return [sql for sql in every if "duty_dutyassessment" in sql and "INSERT" in sql]


def test_what_is_decided_as_before_is_not_written_again() -> None:
    hot_climate()
    climate(scene.depot(), tuple(range(1, 13)))
    vehicles = [driven("V-1"), driven("V-2")]
    ids = np.array([one.pk for one in vehicles])
    chain.refresh(ids, NOW)
    since_on, rules = classes(vehicles[0], "engine")[0][0], assess.rules_stamp()
    before = list(DutyAssessment.objects.order_by("pk").values())
    counts = []

    def decide() -> None:
        counts.append(assess.assess(ids, date(2026, 6, 1), rules, since_on=since_on))

    assert assessments_written(decide) == []
    assert (counts, list(DutyAssessment.objects.order_by("pk").values())) == ([0], before)
    DutyAssessment.objects.filter(compartment__kind="engine", vehicle=vehicles[1]).delete()
    assert len(assessments_written(decide)) == 1
    assert counts == [0, 1]


def test_evidence_that_changes_alone_is_written() -> None:
    short_trips()
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    ((from_on, name),) = classes(vehicle, "engine")
    changes = DutyStamp.objects.get(vehicle=vehicle).changes
    Criterion.objects.update(share_limit=0.6)
    rules = assess.rules_stamp()
    wrote = assess.assess(np.array([vehicle.pk]), date(2026, 6, 1), rules, since_on=from_on)
    (row,) = DutyAssessment.objects.filter(compartment__kind="engine")
    assert (wrote, row.duty_class, row.evidence[0]["limit"]) == (1, name, 0.6)
    assert DutyStamp.objects.get(vehicle=vehicle).changes == changes  # of classes


def test_vehicles_of_which_different_things_are_known_have_evidence_of_their_own() -> None:
    short_trips()
    hot_climate()
    climate(scene.depot(), (7, 8))
    plain, declared = driven("V-1"), driven("V-2", declared_use=["short-trips"])
    chain.refresh([plain.pk, declared.pk], NOW)
    found = {
        row.vehicle_id: {part["criterion"]: part["exposure"] for part in row.evidence}
        for row in DutyAssessment.objects.filter(compartment__kind="engine").order_by("-from_on")
    }
    assert found[plain.pk] == found[declared.pk] | {"short-trips": 0.0}
    assert found[declared.pk]["short-trips"] == 1.0
    gearbox = DutyAssessment.objects.filter(compartment__kind="gearbox").last()
    assert gearbox is not None
    assert [part["criterion"] for part in gearbox.evidence] == ["hot-climate"]


def test_a_change_that_is_none_any_more_is_taken_away() -> None:
    short_trips()
    vehicle = driven()
    chain.refresh([vehicle.pk], NOW)
    before, ids = classes(vehicle, "engine"), np.array([vehicle.pk])
    for month in range(1, 6):
        UsageSheet.objects.create(
            vehicle=vehicle,
            month_on=date(2026, month, 1),
            trips=100,
            trips_under_8_km=90,
            source=INVENTED,
        )
    rules, since_on = assess.rules_stamp(), date(2026, 2, 1)
    assess.assess(ids, date(2026, 6, 1), rules, since_on=since_on)
    assert classes(vehicle, "engine") == [*before, (date(2026, 4, 1), "severe")]
    changes = DutyStamp.objects.get(vehicle=vehicle).changes
    UsageSheet.objects.all().delete()
    assert assess.assess(ids, date(2026, 6, 1), rules, since_on=since_on) == 1
    assert classes(vehicle, "engine") == before
    assert DutyStamp.objects.get(vehicle=vehicle).changes == changes + 1
