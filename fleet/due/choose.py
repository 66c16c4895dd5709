"""Choose the fluid of a compartment for single vehicles, and end such a choice."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction
from django.db.models import F, Q, QuerySet

from fleet.due.models import ChosenFluid
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.stores.models import Product
from fleet.today import day
from fleet.vehicles.models import Compartment, Vehicle


@dataclass(frozen=True)
class Chosen:
    """A product for a compartment of a vehicle, and why."""

    vehicle: Vehicle
    compartment: Compartment
    product: Product
    because: str
    source: str
    from_on: date
    until_on: date | None = None


def choose(actor: Actor, given: Collection[Chosen]) -> list[ChosenFluid]:
    """Write down what vehicles are to get; whether the person may is the caller's to say.

    Raises
    ------
    Refused
        Another choice for the compartment covers some of these days: end it first.
    Fault
        No reason, no source, or it ends before it begins.
    """
    for one in given:
        _check(one)
    with transaction.atomic():
        list(Vehicle.objects.select_for_update().filter(pk__in={one.vehicle.pk for one in given}))
        for one in given:
            _refuse_second(one)
        return ChosenFluid.objects.bulk_create(
            ChosenFluid(
                vehicle=one.vehicle,
                compartment=one.compartment,
                product=one.product,
                because=one.because.strip()[:300],
                source=one.source.strip()[:300],
                from_on=one.from_on,
                until_on=one.until_on,
                person=actor.person,
                chosen_at=actor.at,
            )
            for one in given
        )


def _check(one: Chosen) -> None:
    if not one.because.strip() or not one.source.strip():
        raise Fault("Say why this fluid is chosen, and who says so.", about="because")
    if one.until_on is not None and one.until_on < one.from_on:
        raise Fault("The choice ends before it begins: correct its days.", about="until_on")
    if one.compartment.vehicle_type_id != one.vehicle.vehicle_type_id:
        raise Fault(f"{one.vehicle} has no {one.compartment.name}.", about="compartment")


def _refuse_second(one: Chosen) -> None:
    standing = ChosenFluid.objects.filter(
        Q(until_on=None) | Q(until_on__gte=one.from_on),
        vehicle=one.vehicle,
        compartment=one.compartment,
    )
    if one.until_on is not None:
        standing = standing.filter(from_on__lte=one.until_on)
    never_stood = Q(until_on__lt=F("from_on"))  # ended before it began
    other = standing.exclude(never_stood).select_related("product").first()
    if other is not None:
        raise Refused(
            f"{one.vehicle} is to get {other.product} from {day(other.from_on)} because of "
            f"{other.because}: end that choice first.",
            about="product",
        )


def end_choices(actor: Actor, standing: QuerySet[ChosenFluid], *, on: date, reason: str) -> int:
    """End choices before a day; whether the person may is the caller's to say. Gives how many."""
    if not reason.strip():
        raise Fault("Say why the choice ends.", about="reason")
    rows = standing.filter(Q(until_on=None) | Q(until_on__gte=on), ended_at=None)
    return rows.update(
        until_on=on - timedelta(days=1),
        ended_by=actor.person,
        ended_at=actor.at,
        ended_reason=reason.strip()[:300],
    )


def chosen_within(since: date, until: date) -> Q:
    """What is chosen on any of some days."""
    return Q(from_on__lte=until) & (Q(until_on=None) | Q(until_on__gte=since))
