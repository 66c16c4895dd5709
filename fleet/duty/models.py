from django.conf import settings
from django.db import models
from simple_history.models import HistoricalRecords

from fleet.vehicles.models import Compartment, Vehicle


class DutyClass(models.TextChoices):
    NORMAL = "normal"
    SEVERE = "severe"


class Criterion(models.Model):
    """When use counts as severe. ``conditions`` is a list of alternatives, each a list of
    ``[measure, comparison, limit]`` that must all hold in a month."""

    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    compartments = models.JSONField()  # kinds of compartment it applies to
    powertrains = models.JSONField()  # empty list: every powertrain
    conditions = models.JSONField()
    weight = models.CharField(max_length=10, default="km")  # or engine_h
    window_months = models.PositiveSmallIntegerField(default=12)
    share_limit = models.FloatField(default=0.5)
    source = models.CharField(max_length=300)
    in_force = models.BooleanField(default=True)  # else it is kept, and judges nothing

    history = HistoricalRecords()

    class Meta:
        ordering = ["slug"]
        verbose_name_plural = "criteria"

    def __str__(self) -> str:
        return self.name


class DutyAssessment(models.Model):
    """The duty class of a vehicle's compartment from a day on, with every exposure behind it."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="duty", db_index=False)
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="+", db_index=False)
    from_on = models.DateField()  # first of a month
    duty_class = models.CharField(max_length=6, choices=DutyClass)
    evidence = models.JSONField()

    class Meta:
        ordering = ["vehicle", "compartment", "from_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "compartment", "from_on"],
                name="one_assessment_per_vehicle_compartment_and_day",
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle_id}/{self.compartment_id} {self.duty_class} from {self.from_on}"


class DutyOverride(models.Model):
    """A supervisor's own decision on a duty class, for a time and with a reason."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="duty_overrides")
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="+")
    from_on = models.DateField()
    until_on = models.DateField()
    duty_class = models.CharField(max_length=6, choices=DutyClass)
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    history = HistoricalRecords()  # the same first day again replaces what was decided

    class Meta:
        ordering = ["vehicle", "compartment", "from_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "compartment", "from_on"],
                name="one_override_per_vehicle_compartment_and_day",
            ),
            models.CheckConstraint(
                condition=models.Q(until_on__gte=models.F("from_on")),
                name="override_ends_after_it_starts",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.compartment}: {self.duty_class}"


class DutyStamp(models.Model):
    """What the last assessment of a vehicle rested on: while nothing differs, none is needed."""

    vehicle = models.OneToOneField(Vehicle, models.CASCADE, primary_key=True, related_name="+")
    month_on = models.DateField()
    rules = models.BigIntegerField()  # criteria, climate and marks of the depots
    usage = models.BigIntegerField()  # stamp of the distance meter's usage, 0 without one
    changes = models.BigIntegerField(default=0)  # how often its classes have become others since

    def __str__(self) -> str:
        return f"duty stamp of {self.vehicle_id}"
