"""Trials as they are listed: one rule for pages, API and whoever asks next."""

from collections.abc import Collection, Iterable
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from fleet.due.models import ChosenFluid, Service
from fleet.people.models import Person
from fleet.trials.blind import hidden_from, trials_at
from fleet.trials.models import LabSample, Rating, Trial, TrialResult
from fleet.vehicles.find import Depots, vehicles_at
from fleet.vehicles.models import Vehicle


def counted_at(depots: Depots) -> QuerySet[Trial]:
    """Trials with a vehicle at some depots, with how many they have in all as ``count``."""
    rows = Trial.objects.filter(pk__in=trials_at(depots).values("pk"))
    return rows.annotate(count=Count("vehicles"))


def counted(pks: Collection[int]) -> dict[int, tuple[int, int]]:
    """How many vehicles and ratings trials have, by trial id."""
    vehicles = Trial.objects.filter(pk__in=pks).annotate(n=Count("vehicles"))
    found = ratings_of(pks).order_by().values_list("trial_vehicle__trial").annotate(Count("pk"))
    ratings = dict(found)
    return {pk: (n, ratings.get(pk, 0)) for pk, n in vehicles.values_list("pk", "n")}


def ratings_of(pks: Collection[int]) -> QuerySet[Rating]:
    """Ratings that belong to some trials: as corrected, and none that came after a trial was
    evaluated at its end."""
    ended = TrialResult.objects.filter(
        trial=OuterRef("trial_vehicle__trial"), frozen_at__lt=OuterRef("recorded_at")
    )
    rows = Rating.objects.filter(trial_vehicle__trial__in=pks, corrected_by=None)
    return rows.exclude(Exists(ended))


def rated_at_an_age(trial: Trial) -> QuerySet[Rating]:
    """Ratings of a trial for which the age of the fluid is known, as they came."""
    return ratings_of([trial.pk]).filter(age_km__isnull=False).order_by("id")


def samples_of(trial: Trial, depots: Depots) -> QuerySet[LabSample]:
    """Lab samples of a trial's vehicles at some depots, the newest first, taken back or not."""
    rows = LabSample.objects.filter(trial_vehicle__trial=trial)
    beside = ("property", "trial_vehicle__vehicle", "trial_vehicle__trial", "taken_back_by")
    own = rows.filter(trial_vehicle__vehicle__depot__in=depots)
    return own.select_related(*beside).order_by("-drawn_on", "-pk")


def tried_vehicles(trial: Trial) -> list[int]:
    """Ids of the vehicles that have the dearer fluid."""
    return list(trial.vehicles.filter(group__tried=True).values_list("vehicle_id", flat=True))


def may_take_part(service: Service, depots: Depots) -> QuerySet[Vehicle]:
    """Vehicles of the type in use, for a trial of one of its services."""
    rows = vehicles_at(depots, [Vehicle.Status.IN_USE])
    return rows.filter(vehicle_type=service.vehicle_type).select_related("vehicle_type")


def services_to_try() -> QuerySet[Service]:
    return Service.objects.filter(kind=Service.Kind.CHANGE).select_related("vehicle_type")


def shown_choices(
    rows: QuerySet[ChosenFluid], person: Person, vehicle_ids: Iterable[int], now: datetime
) -> QuerySet[ChosenFluid]:
    """Chosen fluids without those that a rater of a blinded trial must not know of."""
    hidden: Any = Q(pk__in=[])
    for vehicle_id, compartment_id in hidden_from(person, vehicle_ids, now):
        hidden |= Q(vehicle=vehicle_id, compartment=compartment_id)
    return rows.exclude(hidden)
