"""Which product a vehicle is to get, by one rule for its card, its stock and its demand.

What was chosen for the vehicle comes first: by a field trial, or by a supervisor. Else it is what
the vehicle was filled with last, where the compartment accepts that; else an accepted product that
the depot keeps; else whatever the compartment accepts.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import F, Q, QuerySet

from fleet.due.choose import Chosen, choose, chosen_within, end_choices
from fleet.due.models import ChosenFluid, Fill
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.people.roles import Right
from fleet.reads import Ids, Read, Rows, prepared, reader, side_by_side
from fleet.stores.models import AcceptedFluid, Product, Stock
from fleet.today import today_at
from fleet.vehicles.models import Compartment, Vehicle
from fleet.workorders.fluids_in import products_by_name, refuse_unaccepted, standing_substitutes
from fleet.workorders.models import Job, Material, WorkOrder

CHOSEN = "chosen for this vehicle"
AS_BEFORE = "as it was filled before"
KEPT_HERE = "kept at this depot"
ACCEPTED = "what the compartment accepts"
RULES = (CHOSEN, AS_BEFORE, KEPT_HERE, ACCEPTED)


@dataclass(frozen=True)
class Place:
    """A compartment of a vehicle, worked on at a depot on a day."""

    vehicle_id: int
    compartment_id: int
    depot_id: int
    on: date


@dataclass(frozen=True)
class FluidFor:
    """The product to fill in, and which rule chose it."""

    product_id: int | None  # None: any that the compartment accepts
    rule: str  # one of RULES
    because: str  # of what was chosen; else empty
    accepted: frozenset[int]  # products
    specification_ids: frozenset[int]  # that the compartment accepts

    def fits(self, row: Material) -> bool:
        """Whether a material is the fluid of the compartment, and not one that goes in beside."""
        if row.kind != Material.Kind.FLUID:
            return False
        listed = not self.specification_ids or row.specification_id in self.specification_ids
        own = row.item is None or row.item.product_id in (self.product_id, *self.accepted)
        return own and (row.specification_id is None or listed)


@reader
def fluids_for(places: Collection[Place]) -> Read[dict[Place, FluidFor]]:
    """What each place is to get; a few queries however many there are."""
    fitting, chosen, filled, kept = yield from side_by_side(
        _accepted({place.compartment_id for place in places}),
        _chosen(places),
        _filled(places),
        _kept({place.depot_id for place in places}),
    )
    accepted, specifications = fitting
    found = {}
    for place in places:
        fit = accepted[place.compartment_id]
        product_id, rule, because = _by_rule(place, chosen, filled, kept, fit)
        listed = frozenset(specifications[place.compartment_id])
        found[place] = FluidFor(product_id, rule, because, frozenset(fit), listed)
    return found


def _by_rule(
    place: Place,
    chosen: Mapping[Place, tuple[int, str]],
    filled: Mapping[Place, int],
    kept: Mapping[int, list[int]],
    fit: Collection[int],
) -> tuple[int | None, str, str]:
    if place in chosen:
        product_id, because = chosen[place]
        return product_id, CHOSEN, because
    if filled.get(place) in fit:
        return filled[place], AS_BEFORE, ""
    here = next((pk for pk in kept.get(place.depot_id, []) if pk in fit), None)
    return (None, ACCEPTED, "") if here is None else (here, KEPT_HERE, "")


@prepared
def _listed(compartments: Ids) -> Rows:
    listed = AcceptedFluid.objects.filter(compartment__in=compartments)
    return listed.values_list("compartment", "specification", "grade")


@prepared
def _claims(compartments: Ids) -> Rows:
    listed = AcceptedFluid.objects.filter(compartment__in=compartments)
    claimed = Product.objects.filter(claims__specification__in=listed.values("specification"))
    return claimed.values_list("pk", "grade", "claims__specification")


@prepared
def _always(compartments: Ids) -> Rows:
    always = standing_substitutes().filter(compartment__in=compartments, job=None)
    return always.values_list("compartment", "product")


def _accepted(compartments: Ids) -> Read[tuple[dict[int, set[int]], dict[int, set[int]]]]:
    """Products and specifications by compartment; substitutes that always stand count as well."""
    rows, claims = _listed(compartments), _claims(compartments)
    substitutes = _always(compartments)
    yield [rows, claims, substitutes]
    products: dict[int, set[int]] = defaultdict(set)
    specifications: dict[int, set[int]] = defaultdict(set)
    by_claim: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for pk, grade, specification in claims:
        by_claim[specification].append((pk, grade))
    for compartment_id, specification, grade in rows:
        specifications[compartment_id].add(specification)
        fits = {pk for pk, own in by_claim[specification] if grade in ("", own)}
        products[compartment_id] |= fits
    for compartment_id, product_id in substitutes:
        products[compartment_id].add(product_id)
    return products, specifications


def _places(places: Iterable[Place]) -> dict[tuple[int, int], list[Place]]:
    found: dict[tuple[int, int], list[Place]] = defaultdict(list)
    for place in places:
        found[place.vehicle_id, place.compartment_id].append(place)
    return found


@prepared
def _choices(vehicle_ids: Ids, since: date, until: date) -> Rows:
    rows = ChosenFluid.objects.filter(chosen_within(since, until), vehicle__in=vehicle_ids)
    return rows.order_by("pk")


def _chosen(places: Collection[Place]) -> Read[dict[Place, tuple[int, str]]]:
    own, days = _places(places), [place.on for place in places] or [date.min]
    rows = _choices({pk for pk, _ in own}, min(days), max(days))
    yield [rows]
    return {
        place: (row.product_id, row.because)
        for row in rows
        for place in own.get((row.vehicle_id, row.compartment_id), [])
        if row.from_on <= place.on and (row.until_on is None or place.on <= row.until_on)
    }


@prepared
def _fills(vehicle_ids: Ids, compartment_ids: Ids, until: date) -> Rows:
    fills = Fill.objects.filter(
        vehicle__in=vehicle_ids, compartment__in=compartment_ids, filled_on__lte=until
    ).order_by("filled_on", "pk")
    return fills.values_list("vehicle_id", "compartment_id", "filled_on", "product_id")


def _filled(places: Collection[Place]) -> Read[dict[Place, int]]:
    """The product of the newest fill up to the day; a factory fill names none."""
    own = _places(places)
    rows = _fills(
        {vehicle_id for vehicle_id, _ in own},
        {compartment_id for _, compartment_id in own},
        max((place.on for place in places), default=date.min),
    )
    yield [rows]
    found: dict[Place, int] = {}
    for vehicle_id, compartment_id, on, product_id in rows:
        for place in own.get((vehicle_id, compartment_id), []):
            if on <= place.on:
                found[place] = product_id
    return found


@prepared
def _kept_at(depot_ids: Ids) -> Rows:
    stock = Stock.objects.filter(depot__in=depot_ids, item__product__isnull=False)
    return stock.order_by("item__slug").values_list("depot_id", "item__product_id")


def _kept(depot_ids: Ids) -> Read[dict[int, list[int]]]:
    """Products that depots keep, in the order of their items."""
    rows = _kept_at(depot_ids)
    yield [rows]
    found: dict[int, list[int]] = defaultdict(list)
    for depot_id, product_id in rows:
        found[depot_id].append(product_id)
    return found


@reader
def fluids_of(worked: Iterable[tuple[WorkOrder, Job]]) -> Read[dict[int, FluidFor]]:
    """What jobs of orders are to get, by job id, as of the day they are worked on."""
    places = {
        job.pk: Place(order.vehicle_id, job.service.compartment_id, order.depot_id, _day_of(order))
        for order, job in worked
        if job.service is not None
    }
    found = yield from fluids_for.steps({*places.values()})
    return {pk: found[place] for pk, place in places.items()}


def _day_of(order: WorkOrder) -> date:
    """The day of its finish; before that today, or the later day it is planned for."""
    if order.finished_at is not None:
        return today_at(order.depot.zone, order.finished_at)
    today = today_at(order.depot.zone)
    return max(today, order.planned_on or today)


# --- by hand -------------------------------------------------------------------------------
def choose_by_hand(
    actor: Actor,
    *,
    vehicle: Vehicle,
    compartment: Compartment,
    product: Product,
    because: str,
    source: str,
    from_on: date,
    until_on: date | None = None,
) -> ChosenFluid:
    """Say what a vehicle is to get, as who may approve substitutes.

    Raises
    ------
    Fault
        No reason or source, a day that is over, or a product that the compartment does not accept.
    Refused
        Another choice stands, for example by a field trial.
    """
    actor.must(Right.APPROVE_SUBSTITUTE, vehicle.depot_id)
    _refuse_past(vehicle, from_on, actor, "from_on")
    refuse_unaccepted(compartment, product)
    given = Chosen(vehicle, compartment, product, because, source, from_on, until_on)
    return choose(actor, [given])[0]


def end_by_hand(actor: Actor, chosen: ChosenFluid, *, on: date, reason: str) -> ChosenFluid:
    """End a choice before a day, as who may approve substitutes.

    Raises
    ------
    Fault
        No reason, or a day that is over: what was to be filled then stays as it was.
    Refused
        It ends before that day already.
    """
    actor.must(Right.APPROVE_SUBSTITUTE, chosen.vehicle.depot_id)
    _refuse_past(chosen.vehicle, on, actor, "on")
    if not end_choices(actor, ChosenFluid.objects.filter(pk=chosen.pk), on=on, reason=reason):
        raise Refused(f"{chosen} ends before {on} already.")
    chosen.refresh_from_db()
    return chosen


def _refuse_past(vehicle: Vehicle, on: date, actor: Actor, about: str) -> None:
    today = today_at(vehicle.depot.zone, actor.at)
    if on < today:
        raise Fault(f"{on} is over: give {today} or a later day.", about=about)


def standing_choices(vehicle_ids: Collection[int], today: date) -> QuerySet[ChosenFluid]:
    """What is chosen for some vehicles from a day on."""
    rows = ChosenFluid.objects.filter(
        Q(until_on=None) | Q(until_on__gte=today), vehicle__in=vehicle_ids
    ).exclude(until_on__lt=F("from_on"))  # ended before it began
    return rows.select_related("vehicle", "compartment", "product", "person")


@reader
def accepted_products(
    compartments: Collection[Compartment],
) -> Read[dict[Compartment, list[Product]]]:
    """Products that each compartment accepts, by name; compartments without any are left out."""
    (found, _), products = yield from side_by_side(
        _accepted({place.pk for place in compartments}), products_by_name()
    )
    listed = {
        place: [one for one in products if one.pk in found[place.pk]] for place in compartments
    }
    return {place: fit for place, fit in listed.items() if fit}
