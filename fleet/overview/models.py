"""When each person last looked, and the work of the weeks ahead."""

from django.conf import settings
from django.db import models

from fleet.vehicles.models import Depot


class LastSeen(models.Model):
    """When a person last looked at the overview, and since when they are told what happened."""

    person = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.CASCADE, primary_key=True, related_name="+"
    )
    seen_at = models.DateTimeField()  # within some minutes
    since_at = models.DateTimeField(null=True)  # the visit before this one; empty: there was none

    def __str__(self) -> str:
        return f"{self.person} {self.seen_at:%Y-%m-%d %H:%M}"


class WorkAhead(models.Model):
    """What falls due at a depot in the weeks ahead, as its last night saw it."""

    depot = models.OneToOneField(Depot, models.CASCADE, primary_key=True, related_name="+")
    as_of_on = models.DateField()
    overdue = models.PositiveIntegerField()  # services, carried over into the first week
    overdue_min = models.PositiveIntegerField()  # labour by the book [min]
    probably = models.PositiveIntegerField()
    probably_min = models.PositiveIntegerField()
    weeks = models.JSONField()  # of each, in order: see ``weeks.Week``
    inputs = models.BigIntegerField(default=0)  # changes when anything that they rest on does

    def __str__(self) -> str:
        return f"{self.depot} as of {self.as_of_on}"
