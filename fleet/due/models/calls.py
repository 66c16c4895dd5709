"""Services called for before their limit, and leave to do them after it."""

from datetime import date

from django.conf import settings
from django.db import models
from django.utils import timezone

from fleet.due.models.checks import CheckResult
from fleet.due.models.history import ServiceDone
from fleet.due.models.schedule import Service
from fleet.readings.models import Reading
from fleet.vehicles.models import Vehicle


class DueEarlier(models.Model):
    """A service called for before its limit: a check failed, a re-check was set, a leak was seen.

    It holds until the service is done after the instant of the call, or the call is withdrawn.
    With a distance it keeps that distance and what it counts from, never the total it leads to:
    a reading that is settled or taken again then moves the target by itself.
    """

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="called_for", db_index=False)
    service = models.ForeignKey(Service, models.CASCADE, related_name="+")
    called_on = models.DateField()  # at the depot
    called_at = models.DateTimeField(default=timezone.now)
    due_on = models.DateField(null=True, blank=True)  # empty: by distance alone
    after_km = models.FloatField(null=True, blank=True)  # from where the anchor was done
    anchor = models.ForeignKey(
        ServiceDone, models.SET_NULL, null=True, blank=True, related_name="+"
    )  # the service that the call follows; its newest superseding row says at which total
    reading = models.ForeignKey(
        Reading, models.SET_NULL, null=True, blank=True, related_name="+"
    )  # counted from where nothing was recorded as done: work that was only part done
    result = models.ForeignKey(
        CheckResult, models.SET_NULL, null=True, blank=True, related_name="calls"
    )  # the measured value that called
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )

    class Meta:
        ordering = ["vehicle", "due_on"]
        indexes = [models.Index(fields=["vehicle", "id"], name="due_earlier_newest")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(due_on__isnull=False) | models.Q(after_km__isnull=False),
                name="a_call_has_a_day_or_a_distance",
            )
        ]

    def __str__(self) -> str:
        by = f"by {self.due_on}" if self.due_on else f"within {self.after_km:g} km"
        return f"{self.service} {by}: {self.reason}"


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

    def has_ended(self, today: date) -> bool:
        """Whether its day has passed; one to a distance alone ends by no day."""
        return self.until_on is not None and self.until_on < today
