from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from simple_history.models import HistoricalRecords

from fleet.duty.models import DutyClass
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment, Depot, Vehicle, VehicleType


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
    total_km = models.FloatField(null=True, blank=True)
    total_h = models.FloatField(null=True, blank=True)
    evidence = models.CharField(max_length=16, choices=Evidence)
    source = models.CharField(max_length=300)  # the document, order or invoice
    provisional = models.BooleanField(default=False)  # its reading is not settled yet
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
            )
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
        return f"{self.product or self.origin} since {self.filled_on}"


class BindingLimit(models.TextChoices):
    KM = "km"
    HOURS = "hours"
    CALENDAR = "calendar"
    NONE = "none"


class DueDate(models.Model):
    """When a service of a vehicle falls due. The state in words depends on today and is decided
    on reading (fleet.due.states); everything here changes only when an input does."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="due_dates")
    service = models.ForeignKey(Service, models.CASCADE, related_name="due_dates", db_index=False)
    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+", db_index=False)
    sort_on = models.DateField()  # p50, or 9999-12-31 where there is none
    history_known = models.BooleanField()
    p10 = models.DateField(null=True)
    p50 = models.DateField(null=True)
    p90 = models.DateField(null=True)
    km_p10 = models.DateField(null=True)  # by distance alone, not capped by the calendar
    km_p50 = models.DateField(null=True)
    km_p90 = models.DateField(null=True)
    hours_p10 = models.DateField(null=True)
    hours_p50 = models.DateField(null=True)
    hours_p90 = models.DateField(null=True)
    calendar_on = models.DateField(null=True)
    bring_in_by_on = models.DateField(null=True)
    take_a_reading_first = models.BooleanField(default=False)  # the band is too wide to act on
    binding_limit = models.CharField(max_length=8, choices=BindingLimit)
    binding_probability = models.FloatField(null=True)
    meter_life = models.FloatField(null=True)  # used by distance or hours at the last reading
    calendar_life_per_d = models.FloatField(null=True)  # reaches 1 on calendar_on
    remaining_km = models.FloatField(null=True)
    remaining_h = models.FloatField(null=True)
    beyond_by_reading = models.BooleanField(default=False)  # an accepted reading passed the limit
    tolerance_until_on = models.DateField(null=True)  # out of tolerance after this day
    beyond_tolerance_by_reading = models.BooleanField(default=False)
    duty_class = models.CharField(max_length=6, choices=DutyClass)
    anchor = models.ForeignKey(
        ServiceDone, models.SET_NULL, null=True, related_name="+", db_index=False
    )  # the service that the limits count from; empty: from in-service
    limit = models.ForeignKey(Limit, models.SET_NULL, null=True, related_name="+", db_index=False)
    provisional = models.BooleanField(default=False)
    inputs_hash = models.BigIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "service"], name="one_due_date_per_vehicle_and_service"
            )
        ]
        indexes = [
            models.Index(  # the Due page, by depot, soonest first, paged by key
                fields=["depot", "sort_on", "vehicle", "service"], name="due_by_depot"
            ),
            models.Index(fields=["sort_on", "vehicle", "service"], name="due_by_day"),  # all depots
        ]

    def __str__(self) -> str:
        return f"{self.vehicle_id}/{self.service_id} {self.sort_on}"


class DueStamp(models.Model):
    """What a vehicle's due dates rest on. The night compares these few numbers per vehicle
    inside the database and looks closer only where one differs."""

    vehicle = models.OneToOneField(Vehicle, models.CASCADE, primary_key=True, related_name="+")
    rules = models.BigIntegerField()  # services, limits, clock, guard and method of its type
    particulars = models.BigIntegerField()  # of the vehicle itself
    usage_km = models.BigIntegerField()
    usage_h = models.BigIntegerField()
    duty = models.BigIntegerField()
    done = models.BigIntegerField()
    fills = models.BigIntegerField()

    def __str__(self) -> str:
        return f"due stamp of {self.vehicle_id}"


class GuardFactor(models.Model):
    """How far the bands of distance and hours are widened since a month end. Only ever added:
    the newest row is in force, and no factor is below the one before."""

    month_end_on = models.DateField(unique=True)
    factor = models.FloatField(validators=[MinValueValidator(1)])  # on the log-spread about p50
    outcomes = models.PositiveIntegerField()  # forecasts whose outcome was counted
    inside_share = models.FloatField()  # of them, between p10 and p90 before this widening
    made_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["month_end_on"]

    def __str__(self) -> str:
        return f"bands × {self.factor:.3g} since {self.month_end_on}"


class BacktestResult(models.Model):
    """What a backtest found, for pages that show how often the dates came true."""

    as_of_on = models.DateField()
    vehicle_class = models.CharField(max_length=81, blank=True)  # type or type@depot; empty: all
    result = models.JSONField()
    made_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["vehicle_class", "-as_of_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_class", "as_of_on"], name="one_backtest_per_class_and_day"
            )
        ]

    def __str__(self) -> str:
        return f"backtest {self.vehicle_class} {self.as_of_on}".replace("  ", " ")
