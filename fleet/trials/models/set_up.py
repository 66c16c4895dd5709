"""A field trial: the two products, the vehicles and how they were drawn into groups."""

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models

from fleet.calc.trial_cells import RUN_IN_D, RUN_IN_KM
from fleet.due.models import Service
from fleet.stores.models import Product
from fleet.vehicles.models import Vehicle


class Trial(models.Model):
    """One product tried against the usual one. What is fixed before it begins stays as it was."""

    class Assignment(models.TextChoices):
        RANDOM = "random"
        PAIRS = "matched pairs"

    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    service = models.ForeignKey(Service, models.PROTECT, related_name="trials")
    question = models.CharField(max_length=120)  # what raters are asked
    starts_on = models.DateField()
    ends_on = models.DateField()
    blinded = models.BooleanField(default=True)  # raters see A and B
    assignment = models.CharField(max_length=13, choices=Assignment)
    within_depots = models.BooleanField(default=True)  # drawn depot by depot
    seed = models.PositiveIntegerField()

    interval_km = models.FloatField(validators=[MinValueValidator(1)])  # the shorter of the two
    proposed_interval_km = models.FloatField(null=True, blank=True)  # longer, if it can be shown
    run_in_km = models.FloatField(default=RUN_IN_KM)
    run_in_d = models.FloatField(default=RUN_IN_D)

    smallest_difference = models.FloatField()  # that matters, on the rating scale
    ratings_per_vehicle = models.PositiveSmallIntegerField()  # after run-in
    missing_share = models.FloatField()
    usual_mean = models.FloatField()  # rating of the usual product, as expected
    between_sd = models.FloatField()
    within_sd = models.FloatField()
    spreads_source = models.CharField(max_length=120)
    effect_left = models.FloatField()  # of the smallest difference, below the highest grade
    needed_per_group = models.PositiveSmallIntegerField(null=True)  # empty: out of reach

    quantity_ml = models.PositiveIntegerField()
    labour_minor = models.PositiveIntegerField(default=0)
    materials_minor = models.PositiveIntegerField(default=0)
    visit_minor = models.PositiveIntegerField(default=0)  # bringing the vehicle in
    source = models.CharField(max_length=300)  # of the prices and intervals

    class Meta:
        ordering = ["-starts_on", "slug"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_on__gt=models.F("starts_on")),
                name="a_trial_ends_after_it_starts",
            ),
            models.CheckConstraint(
                condition=models.Q(interval_km__gt=models.F("run_in_km")),
                name="a_trial_goes_on_after_run_in",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class TrialGroup(models.Model):
    """One product of a trial under its letter; the letters are dealt by the seed."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="groups")
    letter = models.CharField(max_length=1, choices=[("A", "A"), ("B", "B")])
    product = models.ForeignKey(Product, models.PROTECT, related_name="trial_groups")
    tried = models.BooleanField()  # the dearer one; the other is the usual one
    price_minor_per_l = models.PositiveIntegerField()

    class Meta:
        ordering = ["trial", "letter"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "letter"], name="one_group_per_letter"),
            models.UniqueConstraint(
                fields=["trial", "tried"], name="one_usual_and_one_tried_group"
            ),
            models.UniqueConstraint(
                fields=["trial", "product"], name="one_group_per_trial_and_product"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trial}: {self.letter}"


class TrialVehicle(models.Model):
    """A vehicle in its group; vehicles were drawn among those of the same stratum or pair."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="vehicles")
    vehicle = models.ForeignKey(Vehicle, models.PROTECT, related_name="trials")
    group = models.ForeignKey(TrialGroup, models.CASCADE, related_name="vehicles")
    stratum = models.PositiveSmallIntegerField()  # number of the depot or the pair, from 0 on

    class Meta:
        ordering = ["trial", "vehicle__fleet_number"]
        constraints = [
            models.UniqueConstraint(
                fields=["trial", "vehicle"], name="one_group_per_trial_and_vehicle"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} in {self.trial}"


class Unblinded(models.Model):
    """A person who saw which fluid is in a vehicle of a blinded trial: their own ratings of it
    no longer count as blind, and none is taken from them any more."""

    trial_vehicle = models.ForeignKey(TrialVehicle, models.CASCADE, related_name="unblinded")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    by = models.CharField(max_length=120)  # what named the fluid, such as a job card
    seen_at = models.DateTimeField()

    class Meta:
        ordering = ["seen_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["trial_vehicle", "person"], name="one_unblinding_per_vehicle_and_person"
            )
        ]

    def __str__(self) -> str:
        return f"{self.person} knows {self.trial_vehicle}"


class ExcludedPeriod(models.Model):
    """Days that do not count, for one vehicle or for all: a repair, a strike, a borrowed van."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="excluded")
    vehicle = models.ForeignKey(
        Vehicle, models.PROTECT, null=True, blank=True, related_name="+"
    )  # empty: every vehicle
    from_on = models.DateField()
    until_on = models.DateField()
    reason = models.CharField(max_length=300)

    class Meta:
        ordering = ["trial", "from_on"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(until_on__gte=models.F("from_on")),
                name="an_excluded_period_ends_after_it_starts",
            )
        ]

    def __str__(self) -> str:
        return f"{self.from_on} to {self.until_on}: {self.reason}"


class TrialEvent(models.Model):
    """One change of a trial: who did what, when and by which channel."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="events")
    what = models.CharField(max_length=40)
    detail = models.CharField(max_length=300, blank=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )  # empty: the program
    channel = models.CharField(max_length=12)
    request_id = models.UUIDField()
    performed_at = models.DateTimeField()

    class Meta:
        ordering = ["trial", "id"]

    def __str__(self) -> str:
        return f"{self.trial}: {self.what}"
