"""Rows of Due that were chosen for orders, and what came of them in words."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from django.contrib import messages

from fleet.due.models import Service
from fleet.people.models import Person
from fleet.people.roles import depots_of
from fleet.vehicles.models import Vehicle
from fleet.workorders.draft_many import Drafted


def chosen_rows(person: Person, chosen: Iterable[str]) -> list[tuple[Vehicle, Service]]:
    """Vehicles and services of rows named as 'engine-oil:V-101', in one's own depots."""
    named = [(slug, number) for slug, _, number in (one.partition(":") for one in chosen)]
    seen = Vehicle.objects.filter(depot__in=depots_of(person))
    vehicles = seen.filter(fleet_number__in={number for _, number in named})
    by_number = {vehicle.fleet_number: vehicle for vehicle in vehicles}
    types = {vehicle.vehicle_type_id for vehicle in by_number.values()}
    rows = Service.objects.filter(vehicle_type__in=types, slug__in={slug for slug, _ in named})
    services = {(service.vehicle_type_id, service.slug): service for service in rows}
    return [
        (vehicle, service)
        for slug, number in named
        if (vehicle := by_number.get(number))
        and (service := services.get((vehicle.vehicle_type_id, slug)))
    ]


def drafted_words(found: Sequence[Drafted]) -> Iterator[tuple[int, str]]:
    """What was drafted, what has an order already, what was refused."""
    made: dict[str, list[Drafted]] = defaultdict(list)
    for one in found:
        if one.made:
            made[one.order].append(one)
    if made:
        told = "; ".join(
            f"{number} for {rows[0].vehicle}: {_names(rows)}" for number, rows in made.items()
        )
        yield messages.SUCCESS, f"Drafted {len(made)} order{'s' * (len(made) != 1)}. {told}."
    for one in found:
        if one.fault:
            yield messages.WARNING, f"{one.vehicle} {one.service.name}: {one.fault}"
        elif not one.made:
            yield (
                messages.WARNING,
                f"{one.vehicle} {one.service.name} is on {one.order} already; nothing was added.",
            )


def _names(rows: Iterable[Drafted]) -> str:
    chosen = list(rows)
    return ", ".join([*(one.service.name for one in chosen), *chosen[0].joined])
