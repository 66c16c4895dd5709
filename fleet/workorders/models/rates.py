"""What an hour of the workshop costs."""

from django.db import models
from simple_history.models import HistoricalRecords

from fleet.vehicles.models import Depot


class LabourRate(models.Model):
    """Of a depot's own workshop, net."""

    depot = models.OneToOneField(Depot, models.CASCADE, related_name="labour_rate")
    rate_minor_per_h = models.PositiveIntegerField()  # minor units of the currency
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot"]

    def __str__(self) -> str:
        return f"labour at {self.depot}"
