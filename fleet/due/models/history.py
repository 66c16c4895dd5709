"""What was done, and what is in each compartment since."""

from django.conf import settings
from django.db import models

from fleet.due.models.schedule import Service
from fleet.readings.models import Reading
from fleet.stores.models import Product
from fleet.today import day
from fleet.vehicles.models import Compartment, Vehicle


class ServiceDone(models.Model):
    """A service that was done, or a document that says when it was. Rows are only ever added;
    a correction supersedes."""

    class Evidence(models.TextChoices):
        WORK_ORDER = "work order"
        OUTSIDE = "outside workshop"
        BASELINE = "baseline"

    vehicle = models.ForeignKey(
        Vehicle, models.CASCADE, related_name="services_done", db_index=False
    )
    service = models.ForeignKey(Service, models.PROTECT, related_name="done")
    done_on = models.DateField()
    done_at = models.DateTimeField(null=True, blank=True)  # empty: a document, which gives a day
    total_km = models.FloatField(null=True, blank=True)
    total_h = models.FloatField(null=True, blank=True)
    evidence = models.CharField(max_length=16, choices=Evidence)
    source = models.CharField(max_length=300)  # the document, order or invoice
    reading = models.ForeignKey(
        Reading, models.SET_NULL, null=True, blank=True, related_name="+", db_index=False
    )
    provisional = models.BooleanField(default=False)  # its reading is not settled yet
    why_it_stands = models.CharField(max_length=300, blank=True)  # a total that readings contradict
    void = models.BooleanField(default=False)  # it supersedes a row that should not have been
    supersedes = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["vehicle", "service", "-done_on", "-id"]
        verbose_name_plural = "services done"
        indexes = [
            models.Index(  # the night asks which vehicles have a newer row, without reading them
                fields=["vehicle", "id"], name="due_done_newest"
            ),
            models.Index(  # what waits for its reading to be settled
                fields=["reading"],
                name="due_done_provisional",
                condition=models.Q(provisional=True),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.service} on {self.done_on}"


class Fill(models.Model):
    """What is in a compartment since a day: a product, the factory fill, or unknown."""

    class Origin(models.TextChoices):
        PRODUCT = "product"
        FACTORY = "factory fill"
        UNKNOWN = "unknown"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="fills", db_index=False)
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="+")
    filled_on = models.DateField()
    origin = models.CharField(max_length=12, choices=Origin)
    product = models.ForeignKey(
        Product, models.PROTECT, null=True, blank=True, related_name="fills"
    )
    quantity_ml = models.PositiveIntegerField(null=True, blank=True)
    full_change = models.BooleanField(default=True)
    flushed = models.BooleanField(default=False)
    mixed_with = models.CharField(max_length=120, blank=True)
    key = models.CharField(  # of the job that filled; its one fill is replaced under it
        max_length=64, null=True, blank=True, unique=True
    )
    source = models.CharField(max_length=300)

    class Meta:
        ordering = ["vehicle", "compartment", "-filled_on", "-id"]
        indexes = [models.Index(fields=["vehicle", "id"], name="due_fill_newest")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(origin="product", product__isnull=False)
                | (~models.Q(origin="product") & models.Q(product=None)),
                name="a_fill_names_its_product",
            )
        ]

    def __str__(self) -> str:
        return f"{self.product or self.origin} since {day(self.filled_on)}"


class TopUp(models.Model):
    """Fluid added between changes; it never resets a service."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="top_ups")
    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="+")
    topped_up_at = models.DateTimeField()
    quantity_ml = models.PositiveIntegerField()
    total_km = models.FloatField(null=True, blank=True)
    to_level = models.BooleanField(default=True)  # filled back to the same mark
    product = models.ForeignKey(Product, models.PROTECT, null=True, blank=True, related_name="+")
    source = models.CharField(max_length=300)
    client_key = models.CharField(max_length=64, unique=True)

    class Meta:
        ordering = ["vehicle", "compartment", "-topped_up_at"]

    def __str__(self) -> str:
        return f"{self.quantity_ml / 1000:g} L on {self.topped_up_at:%Y-%m-%d}"
