import time
from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models.functions import Upper
from simple_history.models import HistoricalRecords

from fleet.vehicles.public_holidays import known_place


class Depot(models.Model):
    class Quart(models.TextChoices):
        US = "us", "US"
        IMPERIAL = "imperial"

    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    zone = models.CharField(max_length=64)  # IANA name; "today" is decided there
    working_days = models.CharField(max_length=7, default="1111100")  # Monday first, 1 = open
    holidays_in = models.CharField(  # whose public holidays close it; empty: none do
        "public holidays of",
        max_length=12,
        blank=True,
        validators=[known_place],
        help_text="Country, or country and region, as ISO 3166 writes them: PT, ES-AN.",
    )
    hilly = models.BooleanField(default=False)
    salted_roads = models.BooleanField(default=False)
    quart = models.CharField(  # which quart, pint and gallon is meant; empty: not said yet
        max_length=8, choices=Quart, blank=True
    )
    # from when top-ups are recorded; empty: the first one, or the first order, tells
    use_recorded_since_on = models.DateField(null=True, blank=True)
    source = models.CharField(max_length=200)
    people = models.ManyToManyField(settings.AUTH_USER_MODEL, blank=True, related_name="depots")
    tokens = models.ManyToManyField("people.Token", blank=True, related_name="depots")

    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Closure(models.Model):
    depot = models.ForeignKey(Depot, models.CASCADE, related_name="closures")
    on = models.DateField()
    open = models.BooleanField(default=False)  # the other way: open, although a public holiday
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["on"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "on"], name="one_closure_per_depot_and_day")
        ]

    def __str__(self) -> str:
        return f"{self.depot} {self.on}"


class ClimateMonth(models.Model):
    """Mean daily extremes of a month at a depot; year 0 stands for every year."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="climate")
    year = models.PositiveSmallIntegerField(default=0)
    month = models.PositiveSmallIntegerField(
        validators=[MinValueValidator(1), MaxValueValidator(12)]
    )
    mean_daily_max_c = models.FloatField()
    mean_daily_min_c = models.FloatField()
    source = models.CharField(max_length=200)

    class Meta:
        ordering = ["depot", "year", "month"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "year", "month"], name="one_climate_row_per_depot_and_month"
            )
        ]

    def __str__(self) -> str:
        return f"{self.depot} {self.year or 'every year'}-{self.month:02}"


class Powertrain(models.TextChoices):
    DIESEL = "diesel"
    PETROL = "petrol"
    GAS = "gas"
    HYBRID = "hybrid"
    ELECTRIC = "electric"


class VehicleType(models.Model):
    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    powertrain = models.CharField(max_length=8, choices=Powertrain)
    expected_km_per_day = models.FloatField(validators=[MinValueValidator(0.1)])
    top_km_per_day = models.FloatField(validators=[MinValueValidator(1)])  # more is not believed
    expected_h_per_day = models.FloatField(null=True, blank=True)
    gross_mass_kg = models.FloatField(null=True, blank=True)
    length_m = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.5)])
    height_m = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.5)])
    wheel_positions = models.JSONField(default=list, blank=True)  # e.g. "front left", one by one
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class CompartmentKind(models.TextChoices):
    ENGINE = "engine"
    GEARBOX = "gearbox"  # manual
    AUTOMATIC_GEARBOX = "automatic gearbox"
    DUAL_CLUTCH_GEARBOX = "dual-clutch gearbox"
    FINAL_DRIVE = "final drive"
    TRANSFER_CASE = "transfer case"
    REDUCTION_GEAR = "reduction gear"
    COOLING = "cooling"  # of the engine, or of an electric drive
    BATTERY_COOLING = "battery cooling"  # a loop of its own, often of low conductivity
    BRAKE = "brake"
    CLUTCH = "clutch"
    POWER_STEERING = "power steering"
    HYDRAULIC = "hydraulic"
    TAIL_LIFT = "tail lift"
    EXHAUST_FLUID = "exhaust fluid"
    FUEL = "fuel"  # its filter, and the water in it
    WASHER_FLUID = "washer fluid"
    HUB_OIL = "hub oil"
    AIR_DRYER = "air dryer"
    GREASE_POINTS = "grease points"


class Compartment(models.Model):
    vehicle_type = models.ForeignKey(VehicleType, models.CASCADE, related_name="compartments")
    slug = models.SlugField(max_length=40)
    kind = models.CharField(max_length=24, choices=CompartmentKind)
    name = models.CharField(max_length=80)
    service_refill_l = models.FloatField(null=True, blank=True)
    service_refill_with_filter_l = models.FloatField(null=True, blank=True)
    dry_fill_l = models.FloatField(null=True, blank=True)
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["vehicle_type", "slug"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_type", "slug"], name="one_compartment_per_type_and_slug"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.vehicle_type})"


# a slash would split the vehicle's address; the workbook refuses it in the same words
ADDRESSABLE = RegexValidator(
    "/", inverse_match=True, message="a fleet number holds no slash: write a hyphen"
)


class Vehicle(models.Model):
    class Status(models.TextChoices):
        IN_USE = "in use"
        OFF_ROAD = "off road"
        HIRED_IN = "hired in"
        SOLD = "sold"

    class JoinedAs(models.TextChoices):
        NEW = "new"
        USED = "used"

    fleet_number = models.CharField(max_length=40, validators=[ADDRESSABLE])
    registration = models.CharField(max_length=20, blank=True)
    vin = models.CharField(max_length=20, blank=True)
    vehicle_type = models.ForeignKey(VehicleType, models.PROTECT, related_name="vehicles")
    depot = models.ForeignKey(Depot, models.PROTECT, related_name="vehicles")
    status = models.CharField(max_length=8, choices=Status, default=Status.IN_USE)
    declared_use = models.JSONField(default=list, blank=True)  # slugs of duty criteria
    under_warranty_until_on = models.DateField(null=True, blank=True)
    joined_on = models.DateField()
    joined_as = models.CharField(max_length=4, choices=JoinedAs, default=JoinedAs.USED)
    in_service_on = models.DateField(null=True, blank=True)
    in_service_km = models.FloatField(null=True, blank=True)
    meter_at_joining_km = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    revision = models.BigIntegerField(default=time.time_ns, editable=False)  # new on every change

    history = HistoricalRecords()

    class Meta:
        ordering = ["fleet_number"]
        constraints = [
            models.UniqueConstraint(Upper("fleet_number"), name="one_vehicle_per_fleet_number")
        ]
        indexes = [
            models.Index(  # lists of what is due leave these few out
                fields=["id"], name="vehicles_sold", condition=models.Q(status="sold")
            )
        ]

    def __str__(self) -> str:
        return self.fleet_number

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Save under a new revision, so that the night looks at the vehicle again."""
        self.revision = time.time_ns()
        if kwargs.get("update_fields") is not None:
            kwargs["update_fields"] = {*kwargs["update_fields"], "revision"}
        super().save(*args, **kwargs)


class Alias(models.Model):
    """A fleet number that a vehicle used to carry."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="aliases")
    fleet_number = models.CharField(max_length=40, validators=[ADDRESSABLE])

    class Meta:
        constraints = [
            models.UniqueConstraint(Upper("fleet_number"), name="one_alias_per_fleet_number")
        ]

    def __str__(self) -> str:
        return self.fleet_number


class DepotStay(models.Model):
    """Where a vehicle was based from a day on; the newest stay is the vehicle's depot."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="stays")
    depot = models.ForeignKey(Depot, models.PROTECT, related_name="stays")
    from_on = models.DateField()

    class Meta:
        ordering = ["vehicle", "from_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "from_on"], name="one_stay_per_vehicle_and_day"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} at {self.depot} from {self.from_on}"


class Meter(models.Model):
    class Kind(models.TextChoices):
        KM = "km"
        HOURS = "hours"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="meters")
    kind = models.CharField(max_length=5, choices=Kind, default=Kind.KM)
    unit = models.CharField(max_length=2, default="km")  # as the instrument shows it: km, mi, h

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "kind"], name="one_meter_per_vehicle_and_kind"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.kind}"


class MeterChange(models.Model):
    """From this instant on, total = meter + offset; the offset is in km (or h)."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="changes")
    from_at = models.DateTimeField()
    offset = models.FloatField()  # same unit as the meter's total: km or h
    note = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )

    class Meta:
        ordering = ["meter", "from_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "from_at"], name="one_change_per_meter_and_instant"
            )
        ]

    def __str__(self) -> str:
        return f"{self.meter} {self.offset:+} from {self.from_at:%Y-%m-%d}"
