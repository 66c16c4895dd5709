"""A depot with vans whose services fall due on days a test says."""

from datetime import date, timedelta

from fleet.due.models import DueDate, Service
from fleet.vehicles.models import Vehicle
from fleet.visits import plan as plans
from fleet.visits.models import Plan
from tests import scene

TODAY = date(2026, 6, 15)  # a Monday


def due(vehicle: Vehicle, service: Service, in_d: float, spread_d: int = 3) -> DueDate:
    """A due date so many days ahead, by distance; half its interval of 200 days is used."""
    return due_on(vehicle, service, TODAY + timedelta(days=in_d), in_d, spread_d)


def due_on(
    vehicle: Vehicle, service: Service, on: date, in_d: float = 10, spread_d: int = 3
) -> DueDate:
    """A due date on a day, so many days ahead."""
    near, far = on - timedelta(days=spread_d), on + timedelta(days=spread_d)
    return DueDate.objects.create(
        vehicle=vehicle,
        service=service,
        depot=vehicle.depot,
        sort_on=on,
        history_known=True,
        p10=near,
        p50=on,
        p90=far,
        km_p10=near,
        km_p50=on,
        km_p90=far,
        meter_life=max(0.0, 1 - in_d / 200),
        binding_limit="km",
        duty_class="normal",
        inputs_hash=1,
    )


def fleet(days: dict[str, tuple[float, ...]]) -> list[Vehicle]:
    """Vans by fleet number, each with the days its gearbox and then its engine oil is due."""
    services = [scene.service("gearbox"), scene.service("engine")]
    vans = []
    for number, ahead in days.items():
        vans.append(scene.van(number))
        for service, in_d in zip(services, ahead, strict=False):
            due(vans[-1], service, in_d)
    return vans


def planned(today: date = TODAY) -> Plan:
    """The depot's plan of a day."""
    (found,) = plans.plan([scene.depot().pk], today)
    return found
