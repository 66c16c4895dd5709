"""A generated fleet in the database, its history taken in as one upload would be."""

from datetime import UTC, datetime, timedelta

import numpy as np

from fleet import chain
from fleet.calc.usage import Events
from fleet.readings.models import Reading, Source
from fleet.vehicles.models import Depot, Meter, Vehicle, VehicleType
from tests import cast
from tests.generator import Rules, generate, readings

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
UNIT_KM = {"km": 1.0, "mi": 1.609344}


def bus_type(expected_km_per_day: float = 150.0) -> VehicleType:
    return VehicleType.objects.create(
        slug="bus",
        name="Bus",
        powertrain="diesel",
        expected_km_per_day=expected_km_per_day,
        top_km_per_day=1_200,
        source="invented for the tests",
    )


def vehicles(count: int, vehicle_type: VehicleType, depot: Depot, unit: str = "km") -> list[Meter]:
    rows = Vehicle.objects.bulk_create(
        Vehicle(
            fleet_number=f"{depot.slug}-{at:03}",
            depot=depot,
            vehicle_type=vehicle_type,
            joined_on="2018-01-01",
        )
        for at in range(count)
    )
    return Meter.objects.bulk_create(Meter(vehicle=row, unit=unit) for row in rows)


def store(meters: list[Meter], events: Events, later_d: float = 0.0) -> None:
    """Put readings down as given, in the meter's own unit, nobody having judged them."""
    owner = np.repeat(np.arange(len(meters)), np.diff(events.offsets))
    Reading.objects.bulk_create(
        (
            Reading(
                vehicle_id=meters[at].vehicle_id,
                meter=meters[at],
                taken_at=EPOCH + timedelta(days=float(day) + later_d, hours=12),
                time_known=False,
                value=round(km / UNIT_KM[meters[at].unit]),
                unit=meters[at].unit,
                source=Source.SHEET,
                meter_value=round(km / UNIT_KM[meters[at].unit]) * UNIT_KM[meters[at].unit],
            )
            for at, day, km in zip(owner, events.at_d, events.km, strict=True)
        ),
        batch_size=2_000,
    )


def load(
    rules: Rules, count: int, years: int, seed: int, every_d: int = 30, unit: str = "km"
) -> datetime:
    """Buses read about monthly, taken in at one go; give the day after their last reading."""
    meters = vehicles(count, bus_type(), cast.depot("yard"), unit)
    fleet = generate(rules, count, years, seed)
    events = readings(fleet, seed + 1, every_d, UNIT_KM[unit])
    store(meters, events)
    now = EPOCH + timedelta(days=float(np.floor(events.at_d.max())) + 2)
    chain.catch_up(now)
    return now
