"""What a check measures, and what was measured."""

from django.conf import settings
from django.db import models

from fleet.due.models.book import Service
from fleet.vehicles.models import Vehicle


class CheckFigure(models.Model):
    """What a check measures, and which values pass, want watching, or fail (on either side)."""

    service = models.ForeignKey(Service, models.CASCADE, related_name="figures")
    slug = models.SlugField(max_length=40)  # e.g. boiling-point, moisture, freeze-point
    name = models.CharField(max_length=80)
    unit = models.CharField(max_length=12)
    test_method = models.CharField(max_length=120, blank=True)
    pass_from = models.FloatField(null=True, blank=True)
    pass_to = models.FloatField(null=True, blank=True)
    watch_from = models.FloatField(null=True, blank=True)  # outside pass, still inside this: watch
    watch_to = models.FloatField(null=True, blank=True)
    watch_months = models.PositiveSmallIntegerField(default=3)  # next check after a watch
    calls_for = models.ForeignKey(
        Service, models.SET_NULL, null=True, blank=True, related_name="+"
    )  # the change that a failed check makes due now
    source = models.CharField(max_length=300)

    class Meta:
        ordering = ["service", "slug"]
        constraints = [
            models.UniqueConstraint(
                fields=["service", "slug"], name="one_figure_per_service_and_slug"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} [{self.unit}]"


class CheckResult(models.Model):
    class Outcome(models.TextChoices):
        PASS = "pass"  # noqa: S105 - a word, not a secret
        WATCH = "watch"
        FAIL = "fail"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="check_results")
    figure = models.ForeignKey(CheckFigure, models.PROTECT, related_name="results")
    value = models.FloatField()
    outcome = models.CharField(max_length=5, choices=Outcome)
    test_method = models.CharField(max_length=120, blank=True)
    measured_at = models.DateTimeField()
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    client_key = models.CharField(max_length=64, unique=True)

    class Meta:
        ordering = ["vehicle", "-measured_at"]

    def __str__(self) -> str:
        return f"{self.figure} {self.value:g}: {self.outcome}"
