"""Who may know what is in a vehicle of a blinded trial, and whose ratings still count as blind.

Whoever rates must not know: until the trial's end raters see no letter, no product and no result.
A card that names the fluid cannot hide it from the mechanic who pours it; whoever opens one no
longer rates that vehicle.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db.models import QuerySet

from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.reads import Ids, Rows, prepared
from fleet.stores.models import Item, Product
from fleet.trials.models import Trial, TrialVehicle, Unblinded
from fleet.trials.outcome import frozen_of, today_of
from fleet.vehicles.models import Depot
from fleet.workorders.models import Job

Place = tuple[int, int]  # vehicle id, compartment id


def trials_at(depots: Iterable[Depot] | QuerySet[Depot]) -> QuerySet[Trial]:
    """Trials with a vehicle at one of these depots."""
    return Trial.objects.filter(vehicles__vehicle__depot__in=depots).distinct()


def knows_products(person: Person, trial: Trial, now: datetime) -> bool:
    """Whether a person may see letters, products and results: raters may not until the end.

    Whoever runs or decides on the trial may, and so may those who never rate.
    """
    return not trial.blinded or never_blind(person) or _is_over(trial, now)


def never_blind(person: Person) -> bool:
    """Whether a person knows what is tried by their role, or has no part in the rating."""
    return may(person, Right.RUN_TRIAL) or not may(person, Right.RATE)


def rates_own(person: Person, trial: Trial) -> bool:
    """Whether a person's own ratings count in a trial, and not only those of drivers that they
    enter."""
    return may(person, Right.RATE) and not (trial.blinded and never_blind(person))


def to_rate(person: Person, trial: Trial) -> QuerySet[TrialVehicle]:
    """Vehicles that a person may rate: those of which nothing showed them the product."""
    if not rates_own(person, trial):
        return trial.vehicles.none()
    return (
        trial.vehicles.exclude(unblinded__person=person) if trial.blinded else trial.vehicles.all()
    )


def hidden_from(person: Person, vehicle_ids: Iterable[int], now: datetime) -> set[Place]:
    """Compartments whose fluid this person must not be shown outside a job card."""
    return set() if never_blind(person) else blinded(vehicle_ids, now)


def blinded(vehicle_ids: Iterable[int] | QuerySet[Any, Any], now: datetime) -> set[Place]:
    """Compartments of some vehicles whose fluid a blinded trial that is not over keeps secret."""
    return _kept_secret(_in_blinded_trials(vehicle_ids), now)


def _in_blinded_trials(vehicle_ids: Iterable[int] | QuerySet[Any, Any]) -> QuerySet[TrialVehicle]:
    rows = TrialVehicle.objects.filter(vehicle__in=vehicle_ids, trial__blinded=True)
    return rows.select_related("trial__service")


@prepared
def _in_blinded_trials_of(order_ids: Ids) -> Rows:
    return _in_blinded_trials(Job.objects.filter(order__in=order_ids).order_by().values("vehicle"))


def _kept_secret(rows: Iterable[TrialVehicle], now: datetime) -> set[Place]:
    return {
        (row.vehicle_id, row.trial.service.compartment_id)
        for row in rows
        if not _is_over(row.trial, now)
    }


def names_kept_secret(vehicle_ids: Iterable[int], now: datetime) -> dict[int, set[str]]:
    """By vehicle, what the products are called that a blinded trial which is not over compares
    there: what is in it is told by either name."""
    rows = Trial.objects.filter(vehicles__vehicle__in=list(vehicle_ids), blinded=True).distinct()
    found: dict[int, set[str]] = {}
    for trial in rows.prefetch_related("vehicles"):
        if not _is_over(trial, now):
            names = _called(Product.objects.filter(trial_groups__trial=trial))
            for one in trial.vehicles.all():
                found.setdefault(one.vehicle_id, set()).update(names)
    return found


def _called(products: QuerySet[Product]) -> set[str]:
    """What some products, and the items that hold them, are called and were."""
    ids = products.values("pk")
    item_ids = Item.objects.filter(product__in=ids).values("pk")
    named = (
        *(products, Item.objects.filter(pk__in=item_ids)),
        *(Product.history.filter(id__in=ids), Item.history.filter(id__in=item_ids)),
    )
    return {name for rows in named for name in rows.values_list("name", flat=True)}


def orders_shown(person: Person, order_ids: Iterable[int], by: str, now: datetime) -> int:
    """Note that a person was shown what goes into, or went into, the vehicles of some orders.

    Parameters
    ----------
    by
        What named it, such as the job card.

    Returns
    -------
    int
        For how many vehicles of a trial this person is not blind (any more).
    """
    if never_blind(person):
        return 0
    ids = list(order_ids)
    if not _kept_secret(_in_blinded_trials_of(ids), now):  # as hardly any is
        return 0
    jobs = Job.objects.filter(order__in=ids)
    planned = jobs.values_list("vehicle_id", "service__compartment_id")
    poured = jobs.values_list("vehicle_id", "fluids__compartment_id")
    return _note(person, {*planned, *poured}, by, now)


def vehicle_shown(person: Person, vehicle_id: int, by: str, now: datetime) -> int:
    """Note that a person was shown everything that was poured into a vehicle."""
    return _note(person, hidden_from(person, [vehicle_id], now), by, now)


def _note(person: Person, named: set[Any], by: str, now: datetime) -> int:
    hidden = hidden_from(person, {vehicle_id for vehicle_id, _ in named}, now) & named
    rows = [
        row
        for row in TrialVehicle.objects.filter(
            vehicle__in={vehicle_id for vehicle_id, _ in hidden}, trial__blinded=True
        ).select_related("trial__service")
        if (row.vehicle_id, row.trial.service.compartment_id) in hidden
    ]
    Unblinded.objects.bulk_create(
        [Unblinded(trial_vehicle=row, person=person, by=by[:120], seen_at=now) for row in rows],
        ignore_conflicts=True,
    )
    return len(rows)


def why_not_rate(person: Person, place: TrialVehicle, rated_at: datetime) -> str:
    """Why a person's own rating of a vehicle would not be blind; empty: it is."""
    if not place.trial.blinded:
        return ""
    if never_blind(person):
        return (
            f"You know which product is in {place.vehicle}, so your own rating would not be "
            "blind: enter a driver's, with the driver's name."
        )
    seen = place.unblinded.filter(person=person, seen_at__lte=rated_at).first()
    if seen is None:
        return ""
    return (
        f"{seen.by.capitalize()} showed you which product is in {place.vehicle}: another person "
        "rates it from now on."
    )


def _is_over(trial: Trial, now: datetime) -> bool:
    """Whether the trial is past its end at every depot, or was evaluated at its end."""
    return today_of(trial, now) > trial.ends_on or frozen_of(trial) is not None
