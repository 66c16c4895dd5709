"""Services and their limits: the schedule."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from simple_history.models import HistoricalRecords

from fleet.duty.models import DutyClass
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment, VehicleType


class Service(models.Model):
    """A change or a check that a compartment of a vehicle type needs again and again."""

    class Kind(models.TextChoices):
        CHANGE = "change"
        CHECK = "check"

    vehicle_type = models.ForeignKey(VehicleType, models.CASCADE, related_name="services")
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="services")
    slug = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=6, choices=Kind, default=Kind.CHANGE)
    early_share = models.FloatField(default=0.15)  # of the interval; our choice
    strictest_under_warranty = models.BooleanField(default=False)
    is_round = models.BooleanField(default=False)  # gets no order of its own: joins the next one
    source = models.CharField(max_length=300)

    history = HistoricalRecords()

    class Meta:
        ordering = ["vehicle_type", "slug"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_type", "slug"], name="one_service_per_type_and_slug"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.vehicle_type})"


class Limit(models.Model):
    """Whichever of its figures is reached first makes the service due."""

    class Occasion(models.TextChoices):
        FIRST = "first", "first time"
        REPEAT = "repeat", "every time after"

    service = models.ForeignKey(Service, models.CASCADE, related_name="limits")
    duty_class = models.CharField(max_length=6, choices=DutyClass)
    occasion = models.CharField(max_length=6, choices=Occasion, default=Occasion.REPEAT)
    product = models.ForeignKey(
        Product, models.CASCADE, null=True, blank=True, related_name="limits"
    )
    limit_km = models.FloatField(null=True, blank=True, validators=[MinValueValidator(1)])
    limit_months = models.PositiveSmallIntegerField(null=True, blank=True)
    limit_h = models.FloatField(null=True, blank=True, validators=[MinValueValidator(1)])
    yearly_month = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(12)]
    )
    yearly_day = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(31)]
    )
    tolerance_km = models.FloatField(default=0)
    tolerance_d = models.PositiveSmallIntegerField(default=0)
    tolerance_h = models.FloatField(default=0)
    source = models.CharField(max_length=300)

    history = HistoricalRecords()

    class Meta:
        ordering = ["service", "duty_class", "occasion"]
        constraints = [
            models.UniqueConstraint(
                fields=["service", "duty_class", "occasion"],
                condition=models.Q(product=None),
                name="one_limit_per_service_class_and_occasion",
            ),
            models.UniqueConstraint(
                fields=["service", "duty_class", "occasion", "product"],
                condition=models.Q(product__isnull=False),
                name="one_limit_per_service_class_occasion_and_product",
            ),
            models.CheckConstraint(
                condition=models.Q(limit_km__isnull=False)
                | models.Q(limit_months__isnull=False)
                | models.Q(limit_h__isnull=False)
                | models.Q(yearly_month__isnull=False),
                name="a_limit_has_at_least_one_figure",
            ),
            models.CheckConstraint(
                condition=models.Q(yearly_month__isnull=True, yearly_day__isnull=True)
                | models.Q(yearly_month__isnull=False, yearly_day__isnull=False),
                name="yearly_by_has_a_day_and_a_month",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.service}: {self.duty_class}, {self.get_occasion_display()}"
