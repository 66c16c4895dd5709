"""What planned services take from stores, against what is there, on order and to be ordered.

An item is limited only where what a plan may do takes more of it than its depot has. What is
ordered today comes after its lead time, and not before what is on order; from then on there is
enough. What stands below zero is not known, and limits nothing.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import Q

from fleet.calc.arrays import Array
from fleet.calc.visit_rows import Row
from fleet.due.models import Service
from fleet.stores.lots import past_on
from fleet.stores.models import Arrival, Item, Stock
from fleet.vehicles.models import Depot
from fleet.workorders.fluid_for import Place, fluids_for
from fleet.workorders.items_for import items_of, items_of_products, serve
from fleet.workorders.models import Material

Pair = tuple[int, int]  # vehicle, service
BY_THE_BOOK = ~Q(kind=Material.Kind.ONE_TIME_FIXING) & Q(only_when_recorded=False)


@dataclass(frozen=True)
class Part:
    """An item of which a plan may take more than there is. Days are counted from its first."""

    item: Item
    here: int  # usable now [mL or pieces]
    coming: tuple[tuple[int, int], ...]  # day and quantity of what is on order, the nearest first
    overdue_on: date | None  # what should have come by now
    enough_d: int  # what is ordered today is there from this day on
    takes: Mapping[Pair, int]

    def use(self, pairs: Sequence[Pair]) -> Array:
        """How much each of some services takes, (n,)."""
        return np.array([self.takes.get(pair, 0) for pair in pairs], dtype=float)

    def by_day(self, days: int, standing: Sequence[tuple[int, Pair]]) -> Array:
        """How much may be taken by the end of each day, less what stands takes, (H,)."""
        left = np.full(days, float(self.here))
        for at, quantity in self.coming:
            left[at:] += quantity
        for at, pair in standing:
            left[at:] -= self.takes.get(pair, 0)
        left = np.maximum(0.0, np.minimum.accumulate(left[::-1])[::-1])
        left[self.enough_d :] = max(sum(self.takes.values()), left.max(initial=0.0))
        return left


def gather_parts(
    depot: Depot, pairs: Collection[Pair], today: date
) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Items that are too few for some services of vehicles; and what is not known, in sentences.

    A constant number of queries, few where the depot keeps no stock.
    """
    stock = {row.item_id: row for row in Stock.objects.filter(depot=depot).select_related("item")}
    if not stock or not pairs:
        return (), ()
    takes = _takes(depot, pairs, today, stock)
    below = [row for pk, row in stock.items() if pk in takes and row.on_hand < 0]
    shelf = {(depot.pk, pk): row.on_hand for pk, row in stock.items() if pk in takes}
    past = past_on(shelf, {depot.pk: today})
    arrivals: dict[int, list[Arrival]] = defaultdict(list)
    for arrival in Arrival.objects.filter(depot=depot, received_on=None).order_by("due_on", "pk"):
        arrivals[arrival.item_id].append(arrival)
    parts = [
        _part(stock[pk], past.get((depot.pk, pk), 0), arrivals[pk], takes[pk], today)
        for pk in sorted(takes)
        if stock[pk].on_hand >= 0
    ]
    scarce = tuple(one for one in parts if sum(one.takes.values()) > one.here)
    return scarce, tuple(
        f"{row.item.name} stands below zero at {depot}: count it. The plan takes it as there."
        for row in sorted(below, key=lambda row: row.item.name)
    )


def _part(
    row: Stock, past: int, arrivals: Sequence[Arrival], takes: Mapping[Pair, int], today: date
) -> Part:
    coming = [((one.due_on - today).days, one.quantity) for one in arrivals if one.due_on >= today]
    overdue = next((one.due_on for one in arrivals if one.due_on < today), None)
    return Part(
        item=row.item,
        here=max(0, row.on_hand - past),
        coming=tuple(coming),
        overdue_on=overdue,
        enough_d=max([row.lead_time_d, *(at for at, _ in coming)]),
        takes=takes,
    )


def _takes(
    depot: Depot, pairs: Collection[Pair], today: date, stock: Collection[int]
) -> dict[int, dict[Pair, int]]:
    """By item that is kept, what each service of a vehicle takes by the book."""
    services = Service.objects.filter(pk__in={pk for _, pk in pairs}, procedure__isnull=False)
    known = {pk: (place, book) for pk, place, book in services.values_list(
        "pk", "compartment", "procedure")}  # fmt: skip
    books = {book for _, book in known.values()}
    materials: dict[int, list[Material]] = defaultdict(list)
    for row in Material.objects.filter(BY_THE_BOOK, procedure__in=books).select_related("item"):
        materials[row.procedure_id].append(row)
    usual, by_product = items_of(books), items_of_products(stock)
    place_of = {
        pair: Place(pair[0], known[pair[1]][0], depot.pk, today)
        for pair in pairs
        if pair[1] in known
    }
    fluids = fluids_for({*place_of.values()})
    found: dict[int, dict[Pair, int]] = defaultdict(dict)
    for pair in pairs:
        fluid = fluids[place_of[pair]] if pair in place_of else None
        for row in materials[known[pair[1]][1]] if pair[1] in known else ():
            served = serve(row, usual.get((row.procedure_id, row.pk)), fluid, by_product)
            if served is not None and served.item_id in stock:
                mine = found[served.item_id]
                mine[pair] = mine.get(pair, 0) + served.quantity
    return found


def rows(
    parts: Sequence[Part], pairs: Sequence[Pair], standing: Sequence[tuple[int, Pair]], shape: Pair
) -> list[Row]:
    """What a plan may take of each part by each day, as rows; ``shape``: vehicles and days."""
    vehicles, days = shape
    return [
        Row("part", one.item.name, one.by_day(days, standing), one.use(pairs), np.zeros(vehicles),
            cumulative=True)
        for one in parts
    ]  # fmt: skip
