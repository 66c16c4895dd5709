"""Vehicles that are to get another fluid than the rest: in the forecast a service of their own.

A field trial, a choice by hand or the fill before decides it, by the rule that card and stock
follow too.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from itertools import count

from fleet.consumables.gather import Class
from fleet.consumables.recipes import Recipes
from fleet.due.models import Service
from fleet.stores.models import Stock
from fleet.workorders.fluid_for import FluidFor, Place, fluids_for
from fleet.workorders.items_for import items_of_products

Variant = tuple[int, int | None, str]  # service, product, and the rule that chose it


def with_own_fluids(
    depot_id: int, today: date, classes: Iterable[Class], recipes: Recipes
) -> tuple[list[Class], Recipes]:
    """Give the services anew where vehicles get another fluid, and recipes that match.

    What is chosen today is taken to stand for as long as the forecast looks ahead.
    """
    stocked = set(Stock.objects.filter(depot=depot_id).values_list("item_id", flat=True))
    items = items_of_products(stocked)
    variants: dict[Variant, int] = {}
    numbers = count(-1, -1)  # no service of the database is below zero
    found = []
    for group in classes:
        service_id = group.service_id.copy()
        for row, fluid in _fluids(depot_id, today, group, recipes):
            variant = int(service_id[row]), fluid.product_id, fluid.rule
            if variant not in variants:
                usual, number = variant[0], next(numbers)
                recipes, differs = recipes.varied(number, usual, fluid, items)
                variants[variant] = number if differs else usual
            service_id[row] = variants[variant]
        found.append(replace(group, service_id=service_id))
    return found, recipes


def _fluids(
    depot_id: int, today: date, group: Class, recipes: Recipes
) -> Iterator[tuple[int, FluidFor]]:
    """The rows of a class that take a fluid, and which."""
    rows = [at for at, pk in enumerate(group.service_id.tolist()) if pk in recipes.materials]
    compartment = dict(
        Service.objects.filter(pk__in=recipes.materials).values_list("pk", "compartment_id")
    )
    vehicle_id = group.vehicle_id[group.vehicle]
    places = [
        Place(int(vehicle_id[at]), compartment[int(group.service_id[at])], depot_id, today)
        for at in rows
    ]
    fluids = fluids_for({*places})
    return zip(rows, (fluids[place] for place in places), strict=True)
