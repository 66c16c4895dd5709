"""Rows of what keeps vehicles from coming in beside bays and mechanics."""

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from fleet.vehicles.models import Depot, VehicleType


class BlockedDays(models.Model):
    """Days on which a depot is open and still plans no visit, as in its busiest weeks."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="blocked_days")
    from_on = models.DateField()
    until_on = models.DateField()
    reason = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot", "from_on"]
        verbose_name_plural = "blocked days"
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "from_on"], name="blocked_days_once_per_depot_and_start"
            ),
            models.CheckConstraint(
                condition=Q(until_on__gte=models.F("from_on")),
                name="blocked_days_end_not_before_they_begin",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.depot} blocked {self.from_on} to {self.until_on}"


class SparedType(models.Model):
    """How many vehicles of a type a depot can spare on one day."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="spared_types")
    vehicle_type = models.ForeignKey(VehicleType, models.CASCADE, related_name="spared_at")
    vehicles_a_day = models.PositiveSmallIntegerField()

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot", "vehicle_type"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "vehicle_type"], name="one_spared_type_per_depot"
            )
        ]

    def __str__(self) -> str:
        return f"{self.depot}: {self.vehicles_a_day} {self.vehicle_type} a day"
