"""Which readings stand, and which are listed before one of them."""

from datetime import timedelta

import pytest

from fleet.readings.listing import last_accepted, newest_first, odometer_of
from fleet.readings.models import Reading
from fleet.vehicles.models import Meter, Vehicle
from tests import scene
from tests.kept import kept

pytestmark = pytest.mark.django_db


@kept
def read() -> list[Reading]:
    """Four weeks of one van, accepted; and one of another."""
    scene.readings(scene.van("V-9"), [99_000])
    found = scene.readings(scene.van(), scene.steady(1_000, 700, 4))
    Reading.objects.update(verdict="accepted")
    return found


def hours(van: Vehicle, of: Reading) -> Reading:
    """What an hour meter showed a day after a reading."""
    meter = Meter.objects.create(vehicle=van, kind="hours", unit="h")
    return Reading.objects.create(
        vehicle=van, meter=meter, taken_at=of.taken_at + timedelta(days=1), value=400, unit="h",
        meter_value=400, source=of.source, verdict="accepted",
    )  # fmt: skip


def test_a_meter_stands_at_the_newest_reading_that_was_accepted(read: list[Reading]) -> None:
    van = read[0].vehicle
    on_hours = hours(van, read[-1])
    assert last_accepted(read[0].meter) == odometer_of(van.pk) == read[3]
    assert last_accepted(on_hours.meter) == on_hours
    Reading.objects.filter(pk=read[3].pk).update(verdict="held")
    assert last_accepted(read[0].meter) == odometer_of(van.pk) == read[2]
    # of two at one instant the one that came last
    Reading.objects.filter(pk=read[1].pk).update(taken_at=read[2].taken_at)
    assert last_accepted(read[0].meter) == odometer_of(van.pk) == read[2]


def test_no_meter_and_one_without_a_reading_stand_at_nothing() -> None:
    van = scene.van()
    assert last_accepted(None) is None
    assert last_accepted(van.meters.get()) is None
    assert odometer_of(van.pk) is None


def test_before_a_reading_come_older_ones_and_of_its_instant_those_that_came_before(
    read: list[Reading],
) -> None:
    first, second, third, fourth = read
    van = first.vehicle_id
    Reading.objects.filter(pk=second.pk).update(taken_at=third.taken_at)
    assert list(newest_first(van)) == [fourth, third, second, first]
    third.refresh_from_db()
    assert list(newest_first(van, third)) == [second, first]
    second.refresh_from_db()
    assert list(newest_first(van, second)) == [first]
    assert list(newest_first(van, first)) == []
