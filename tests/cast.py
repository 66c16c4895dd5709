"""The small fixed cast of the tests: two depots, five people, three vehicles. All invented."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fleet import chain
from fleet.due.models import Service
from fleet.duty.models import Criterion, DutyClass
from fleet.people.models import Person, Role
from fleet.readings.enter import Entry, enter
from fleet.readings.models import Source
from fleet.today import today_at
from fleet.vehicles.models import (
    Compartment,
    CompartmentKind,
    Depot,
    Meter,
    Powertrain,
    Vehicle,
    VehicleType,
)

ZONE = "Europe/Berlin"


def depots_day() -> date:
    """What day it is at the depots of the cast; around midnight not that of UTC."""
    return today_at(ZONE)


@dataclass(frozen=True, slots=True)
class Cast:
    plain: Depot
    hill: Depot
    supervisor: Person
    mechanic: Person
    clerk: Person
    viewer: Person
    outsider: Person  # a supervisor, but of the other depot
    van_type: VehicleType
    engine: Compartment
    van: Vehicle  # at the first depot
    second_van: Vehicle  # at the first depot
    hill_van: Vehicle  # at the other depot


def cast() -> Cast:
    plain, hill = depot("plain"), depot("hill")
    van_type = VehicleType.objects.create(
        slug="van",
        name="Van",
        powertrain=Powertrain.DIESEL,
        expected_km_per_day=90,
        top_km_per_day=900,
        source="invented for the tests",
    )
    engine = Compartment.objects.create(
        vehicle_type=van_type,
        slug="engine",
        kind=CompartmentKind.ENGINE,
        name="Engine",
        source="invented for the tests",
    )
    return Cast(
        plain=plain,
        hill=hill,
        supervisor=person("Sura", Role.SUPERVISOR, plain),
        mechanic=person("Mika", Role.MECHANIC, plain),
        clerk=person("Cleo", Role.CLERK, plain),
        viewer=person("Vito", Role.VIEWER, plain),
        outsider=person("Otto", Role.SUPERVISOR, hill),
        van_type=van_type,
        engine=engine,
        van=vehicle("V-101", plain, van_type),
        second_van=vehicle("V-102", plain, van_type),
        hill_van=vehicle("V-201", hill, van_type),
    )


def depot(slug: str) -> Depot:
    return Depot.objects.create(
        slug=slug, name=slug.title(), zone=ZONE, source="invented for the tests"
    )


def person(name: str, role: Role, *depots: Depot) -> Person:
    created = Person.objects.create_user(username=name.lower(), first_name=name, role=role)
    created.depots.set(depots)
    return created


def vehicle(fleet_number: str, at: Depot, vehicle_type: VehicleType) -> Vehicle:
    joined_on = depots_day() - timedelta(days=200)
    created = Vehicle.objects.create(
        fleet_number=fleet_number,
        depot=at,
        vehicle_type=vehicle_type,
        joined_on=joined_on,
        in_service_on=joined_on,
        in_service_km=0,
        joined_as=Vehicle.JoinedAs.NEW,
    )
    created.stays.create(depot=at, from_on=created.joined_on)
    Meter.objects.create(vehicle=created)
    return created


def oil_change(people: Cast) -> Service:
    """An engine oil change every 20,000 km or 12 months; severe in stop-start use, 10,000 km."""
    Criterion.objects.create(
        slug="stop-start",
        name="Stop-start delivery",
        compartments=["engine"],
        powertrains=[],
        conditions=[[["declared", ">=", 1]]],
        source="invented for the tests",
    )
    service = Service.objects.create(
        vehicle_type=people.van_type,
        compartment=people.engine,
        slug="engine-oil",
        name="Engine oil",
        source="invented for the tests",
    )
    for duty_class, limit_km in ((DutyClass.NORMAL, 20_000), (DutyClass.SEVERE, 10_000)):
        service.limits.create(
            duty_class=duty_class,
            limit_km=limit_km,
            limit_months=12,
            source="invented for the tests",
        )
    return service


def driven(people: Cast, now: datetime, km_per_week: float = 630) -> None:
    """Ten weekly readings of each vehicle up to yesterday, taken in by the whole chain."""
    vehicles = (people.van, people.second_van, people.hill_van)
    entries = [
        Entry(
            vehicle_id=vehicle.pk,
            meter_id=vehicle.meters.get().pk,
            taken_at=(now - timedelta(days=1, weeks=9 - week)).replace(microsecond=0),
            time_known=True,
            value=5_000 + week * km_per_week,
            unit="km",
        )
        for vehicle in vehicles
        for week in range(10)
    ]
    enter(entries, Source.DEMO)
    chain.refresh([vehicle.pk for vehicle in vehicles], now)
