"""When each person last looked, and the work of the weeks ahead."""

from django.conf import settings
from django.db import models

from fleet.vehicles.models import Depot, Vehicle


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
    sums = models.JSONField(default=dict)  # what all vehicles bring, by type: see ``parts.Sums``
    inputs = models.BigIntegerField(default=0)  # what else the sums rest on, as one number

    def __str__(self) -> str:
        return f"{self.depot} as of {self.as_of_on}"


class VehicleAhead(models.Model):
    """What one vehicle brings into the weeks ahead, as it counts in its depot's sums."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="+", db_index=False)
    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+")
    part = models.JSONField()  # see ``parts.Part``; empty: nothing
    inputs = models.BigIntegerField()  # of its due dates and planned days: changes when one does

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "depot"], name="one_part_per_vehicle_and_depot"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} at {self.depot}"
