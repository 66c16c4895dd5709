"""What a check measures, and what was measured."""

from django.conf import settings
from django.db import models

from fleet.due import frost
from fleet.due.models.schedule import Service
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
    follows_frost = models.BooleanField(default=False)  # where the depot's climate is known
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

    @property
    def has_limits(self) -> bool:
        """Whether anything says which values are right."""
        limits = (self.pass_from, self.pass_to, self.watch_from, self.watch_to)
        return any(limit is not None for limit in limits)

    def at(self, depot_id: int) -> "CheckFigure":
        """Itself with the limits that hold at a depot; not to be saved."""
        if not self.follows_frost:
            return self
        return frost.as_at(self, frost.coldest([depot_id]).get(depot_id))

    def __str__(self) -> str:
        return f"{self.name} [{self.unit}]"

    @property
    def below_zero(self) -> bool:
        """Whether a value of it may lie below zero."""
        limits = (self.pass_from, self.pass_to, self.watch_from, self.watch_to)
        return any(limit is not None and limit <= 0 for limit in limits)


class CheckResult(models.Model):
    class Outcome(models.TextChoices):
        PASS = "pass"  # noqa: S105 - a word, not a secret
        WATCH = "watch"
        FAIL = "fail"
        NOT_JUDGED = "not judged"  # the figure has no limits: nothing follows from it

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="check_results")
    figure = models.ForeignKey(CheckFigure, models.PROTECT, related_name="results")
    value = models.FloatField()
    outcome = models.CharField(max_length=10, choices=Outcome)
    test_method = models.CharField(max_length=120, blank=True)
    measured_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    client_key = models.CharField(max_length=64, unique=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)  # a recorded correction
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    withdrawn_reason = models.CharField(max_length=300, blank=True)
    question = models.CharField(max_length=300, blank=True)  # what the program asked back
    override_reason = models.CharField(max_length=300, blank=True)  # the answer, if it stands

    class Meta:
        ordering = ["vehicle", "-measured_at"]

    def __str__(self) -> str:
        return f"{self.figure} {self.value:g}: {self.outcome}"
