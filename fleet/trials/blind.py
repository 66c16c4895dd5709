"""Who may know which letter stands for which product, and which trials a person sees."""

from collections.abc import Iterable
from datetime import date

from django.db.models import QuerySet

from fleet.people.models import Person
from fleet.people.roles import Right, may
from fleet.trials.models import Trial
from fleet.vehicles.models import Depot


def trials_at(depots: Iterable[Depot] | QuerySet[Depot]) -> QuerySet[Trial]:
    """Trials with a vehicle at one of these depots."""
    return Trial.objects.filter(vehicles__vehicle__depot__in=depots).distinct()


def knows_products(person: Person, trial: Trial, today: date) -> bool:
    """Whether a person may see behind the letters: in a blinded trial raters may not until its end.

    Whoever runs or decides on the trial may, and so may those who never rate.
    """
    if not trial.blinded or today > trial.ends_on:
        return True
    return may(person, Right.RUN_TRIAL) or not may(person, Right.RATE)
