"""What a vehicle may be used for only within, until somebody lifts it."""

from django.conf import settings
from django.db import models

from fleet.vehicles.models import Vehicle
from fleet.workorders.models.orders import WorkOrder


class Restriction(models.Model):
    """Such as "not above 60 km/h": it stands until it is lifted, whatever else is finished."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="restrictions")
    order = models.ForeignKey(
        WorkOrder, models.SET_NULL, null=True, blank=True, related_name="restrictions"
    )  # at whose finish it was set
    text = models.CharField(max_length=300)
    set_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    set_at = models.DateTimeField()
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_on = models.ForeignKey(
        WorkOrder, models.SET_NULL, null=True, blank=True, related_name="lifted"
    )  # at whose finish; empty: by itself
    lifted_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["set_at", "id"]
        indexes = [
            models.Index(  # shown wherever the vehicle is
                fields=["vehicle"],
                name="restriction_standing",
                condition=models.Q(lifted_at__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return self.text
