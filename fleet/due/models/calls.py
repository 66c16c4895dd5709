"""Services called for before their limit, and leave to do them after it."""

from django.conf import settings
from django.db import models

from fleet.due.models.book import Service
from fleet.vehicles.models import Vehicle


class DueEarlier(models.Model):
    """A service called for before its limit: a check failed, a re-check was set, a leak was seen.

    It holds until the service is done on or after the day the call was made.
    """

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="called_for", db_index=False)
    service = models.ForeignKey(Service, models.CASCADE, related_name="+")
    called_on = models.DateField()
    due_on = models.DateField()
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )

    class Meta:
        ordering = ["vehicle", "due_on"]
        indexes = [models.Index(fields=["vehicle", "id"], name="due_earlier_newest")]

    def __str__(self) -> str:
        return f"{self.service} by {self.due_on}: {self.reason}"


class Deferral(models.Model):
    """Leave to do a service later; it moves no limit and counts as late all the same."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="deferrals")
    service = models.ForeignKey(Service, models.CASCADE, related_name="+")
    until_on = models.DateField(null=True, blank=True)
    until_km = models.FloatField(null=True, blank=True)  # vehicle's total
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    beyond_tolerance = models.BooleanField(default=False)
    second_person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(until_on__isnull=False) | models.Q(until_km__isnull=False),
                name="a_deferral_has_an_end",
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.service} deferred"
