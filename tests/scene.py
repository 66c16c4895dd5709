"""A fleet in a few lines: one type of van with two services, read as often as a test wants."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np

from fleet.due.models import Limit, Service, ServiceDone
from fleet.readings.models import Reading, Source
from fleet.vehicles.models import Compartment, Depot, Meter, Vehicle, VehicleType

NOW = datetime(2026, 6, 15, 9, 0, tzinfo=UTC)
INVENTED = "invented for the tests"


def depot(slug: str = "plain", zone: str = "UTC") -> Depot:
    found, _ = Depot.objects.get_or_create(
        slug=slug, defaults={"name": slug.title(), "zone": zone, "source": INVENTED}
    )
    return found


def van_type() -> VehicleType:
    """A diesel van; 100 km a day are expected of it."""
    found, new = VehicleType.objects.get_or_create(
        slug="van",
        defaults={
            "name": "Van",
            "powertrain": "diesel",
            "expected_km_per_day": 100,
            "top_km_per_day": 900,
            "source": INVENTED,
        },
    )
    if new:
        for kind in ("engine", "gearbox"):
            found.compartments.create(slug=kind, kind=kind, name=kind.title(), source=INVENTED)
    return found


def service(
    kind: str = "gearbox",
    *,
    km: float | None = 60_000,
    months: int | None = 36,
    duty_class: str = "normal",
    **figures: object,
) -> Service:
    """A change of a compartment's oil with one limit; call again for the other class."""
    compartment = Compartment.objects.get(vehicle_type=van_type(), slug=kind)
    found, _ = Service.objects.get_or_create(
        vehicle_type=van_type(),
        compartment=compartment,
        slug=f"{kind}-oil",
        defaults={"name": f"{kind.title()} oil", "source": INVENTED},
    )
    Limit.objects.create(
        service=found,
        duty_class=duty_class,
        limit_km=km,
        limit_months=months,
        source=INVENTED,
        **figures,
    )
    return found


def van(number: str = "V-1", at: Depot | None = None, **changes: object) -> Vehicle:
    """A used van with an odometer."""
    created = Vehicle.objects.create(
        fleet_number=number,
        vehicle_type=van_type(),
        depot=at or depot(),
        **({"joined_on": date(2025, 1, 1), "joined_as": "used"} | changes),
    )
    Meter.objects.create(vehicle=created)
    return created


def readings(
    vehicle: Vehicle, values: Sequence[float], *, every_d: float = 7, until: datetime = NOW
) -> list[Reading]:
    """Readings at regular intervals, the last one at ``until``; nobody judged them yet."""
    meter = vehicle.meters.get(kind="km")
    first = until - timedelta(days=every_d * (len(values) - 1))
    return Reading.objects.bulk_create(
        Reading(
            vehicle=vehicle,
            meter=meter,
            taken_at=first + timedelta(days=every_d * at),
            value=value,
            unit="km",
            meter_value=value,
            source=Source.SHEET,
        )
        for at, value in enumerate(values)
    )


def steady(start_km: float, km_per_week: float, weeks: int) -> list[float]:
    """Odometer values of a van that drives the same every week."""
    return [start_km + km_per_week * week for week in range(weeks)]


def jittered(seed: int, start_km: float, weeks: int) -> list[float]:
    """Odometer values of a van that drives 700 km a week, more or less."""
    rng = np.random.default_rng(seed)
    steps = rng.gamma(16, 700 / 16, weeks - 1)
    return [round(start_km + total, 1) for total in np.concatenate(([0], np.cumsum(steps)))]


def done(vehicle: Vehicle, of: Service, on: date, km: float | None) -> ServiceDone:
    return ServiceDone.objects.create(
        vehicle=vehicle, service=of, done_on=on, total_km=km, evidence="baseline", source=INVENTED
    )
