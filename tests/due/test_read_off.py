"""Totals that papers tell; the van of ``scene`` stands at 23,300 km, about 100 a day."""

from datetime import date, timedelta

import pytest

from fleet import chain
from fleet.due.explain import explain
from fleet.due.models import ServiceDone
from fleet.due.read_off import read_off, unread, unread_words
from fleet.readings.models import Reading
from fleet.usage.models import UsageState
from fleet.vehicles.models import Vehicle
from tests import scene
from tests.scene import NOW

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=28)
TOLD_ON = (NOW + timedelta(days=20)).date()


@pytest.fixture
def van() -> Vehicle:
    vehicle = scene.van()
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    chain.refresh([vehicle.pk], NOW)
    return vehicle


def told(van: Vehicle, total_km: float | None, on: date = TOLD_ON) -> ServiceDone:
    row = ServiceDone(
        vehicle=van,
        service=scene.service(km=20_000),
        done_on=on,
        evidence=ServiceDone.Evidence.OUTSIDE,
        source="an invoice",
        total_km=total_km,
    )
    read_off([row], LATER)
    row.save()
    return row


def test_a_newer_total_is_a_reading_like_any_other(van: Vehicle) -> None:
    row = told(van, 25_300)
    assert row.reading is not None
    assert (row.reading.verdict, row.reading.time_known) == ("accepted", False)
    assert (row.reading.note, row.provisional) == ("an invoice", False)
    chain.refresh([van.pk], LATER)
    assert UsageState.objects.get().last_km == 25_300


def test_one_that_cannot_be_is_held_and_its_service_is_provisional(van: Vehicle) -> None:
    row = told(van, 53_200)
    assert row.reading is not None
    assert row.reading.verdict != "accepted"
    assert (row.provisional, row.total_km) == (True, 53_200)


@pytest.mark.parametrize(
    ("total_km", "on"),
    [
        (22_600, NOW.date() - timedelta(days=7)),
        (23_200, NOW.date() - timedelta(days=1)),
        (None, TOLD_ON),
    ],
)
def test_what_tells_nothing_newer_is_no_reading(
    van: Vehicle, total_km: float | None, on: date
) -> None:
    before = Reading.objects.count()
    assert told(van, total_km, on).reading is None
    assert Reading.objects.count() == before


def test_the_instrument_shows_it_in_its_own_unit_after_a_replaced_meter(van: Vehicle) -> None:
    meter = van.meters.get()
    meter.changes.create(from_at=NOW - timedelta(days=1_000), offset=5_000, note="invented")
    meter.unit = "mi"
    meter.save()
    chain.refresh([van.pk], NOW)
    Reading.objects.update(total=None)
    last = Reading.objects.latest("taken_at")
    Reading.objects.filter(pk=last.pk).update(total=last.meter_value + 5_000)
    row = told(van, 30_300)
    assert row.reading is not None
    assert (row.reading.unit, row.reading.meter_value) == ("mi", pytest.approx(25_300, abs=0.1))


def test_a_vehicle_without_readings_gets_none() -> None:
    assert told(scene.van(), 25_300).reading is None


def test_a_total_that_came_before_any_reading_is_told_until_a_newer_one_is_there() -> None:
    vehicle = scene.van()
    assert unread(vehicle) is None
    row = told(vehicle, 25_300)  # no reading yet to be newer than
    assert (row.reading, unread(vehicle)) == (None, None)
    scene.readings(vehicle, scene.steady(10_000, 700, 20))
    chain.refresh([vehicle.pk], NOW)
    assert unread(vehicle) == row
    words = "The papers of 5 Jul 2026 give 25,300 km. When they were entered no reading was there"
    assert unread_words(row, "km").startswith(words)
    lines = explain(vehicle, row.service, LATER).lines
    assert unread_words(row, "km") in lines
    scene.readings(vehicle, [25_400], until=LATER)
    chain.refresh([vehicle.pk], LATER)
    assert unread(vehicle) is None
