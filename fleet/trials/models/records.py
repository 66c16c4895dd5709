"""What was felt and measured in a trial. Rows are only added, each under its sender's key."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fleet.calc.trial_power import BEST, WORST
from fleet.trials.models.set_up import Trial, TrialVehicle


class TrialRecord(models.Model):
    """What every record of a trial carries."""

    client_key = models.CharField(max_length=64, unique=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        abstract = True


class Rating(TrialRecord):
    """How a vehicle felt to somebody, 1 (worst) to 5 (best)."""

    class Warmth(models.TextChoices):
        FREEZING = "freezing", "below 0 °C"
        COOL = "cool", "0 to 15 °C"
        WARM = "warm", "15 to 30 °C"
        HOT = "hot", "above 30 °C"

    trial_vehicle = models.ForeignKey(TrialVehicle, models.CASCADE, related_name="ratings")
    rated_at = models.DateTimeField()
    value = models.PositiveSmallIntegerField(
        validators=[MinValueValidator(WORST), MaxValueValidator(BEST)]
    )
    temperature_c = models.FloatField(null=True, blank=True)  # outside, where it was measured
    warmth = models.CharField(max_length=8, choices=Warmth, blank=True)
    by = models.CharField(max_length=80, blank=True)  # a driver who has no account
    age_km = models.FloatField(null=True)  # of the fluid; readings that come later refine it
    age_d = models.FloatField(null=True)
    corrects = models.OneToOneField(  # the rating of the same day and rater that it replaces
        "self", models.PROTECT, null=True, related_name="corrected_by"
    )

    class Meta:
        ordering = ["trial_vehicle", "rated_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(value__gte=WORST, value__lte=BEST),
                name="a_rating_lies_between_1_and_5",
            )
        ]

    def __str__(self) -> str:
        return f"{self.value} on {self.rated_at:%Y-%m-%d}"


class LabProperty(models.Model):
    """A property that samples are tested for, with the limits that it must keep."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="properties")
    slug = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    unit = models.CharField(max_length=20)
    low = models.FloatField(null=True, blank=True)
    high = models.FloatField(null=True, blank=True)
    gathers = models.BooleanField(default=False)  # wear metals: fluid added thins them
    source = models.CharField(max_length=300)  # of the limits

    class Meta:
        ordering = ["trial", "slug"]
        verbose_name_plural = "lab properties"
        constraints = [
            models.UniqueConstraint(
                fields=["trial", "slug"], name="one_property_per_trial_and_slug"
            ),
            models.CheckConstraint(
                condition=models.Q(low__isnull=False) | models.Q(high__isnull=False),
                name="a_property_has_a_limit",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} [{self.unit}]"


class LabSample(TrialRecord):
    """One property of one sample of used fluid."""

    trial_vehicle = models.ForeignKey(TrialVehicle, models.CASCADE, related_name="samples")
    property = models.ForeignKey(LabProperty, models.PROTECT, related_name="samples")
    drawn_on = models.DateField()
    value = models.FloatField()
    report = models.CharField(max_length=120)  # the laboratory's paper
    why_it_stands = models.CharField(max_length=300, blank=True)  # a value that was asked about
    taken_back_at = models.DateTimeField(null=True)  # stays on record, and counts no more
    taken_back_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    taken_back_because = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["property", "trial_vehicle", "drawn_on"]

    def __str__(self) -> str:
        return f"{self.property} {self.value:g} on {self.drawn_on}"
