"""What the book says about a service: steps, cautions, fasteners, tools, materials. All data."""

from django.conf import settings
from django.db import models
from simple_history.models import HistoricalRecords

from fleet.due.models import Service
from fleet.stores.models import Item, Product, Specification
from fleet.vehicles.models import Compartment


class Raising(models.TextChoices):
    """How a bay raises the vehicle; cautions follow it."""

    LIFT = "lift"
    STANDS = "jack and stands"
    RAMPS = "ramps"
    PIT = "pit"
    NONE = "on the ground"


class Procedure(models.Model):
    """How a service is done on a vehicle type, by the maker's book."""

    class Family(models.TextChoices):
        LEVEL_PLUG = "level plug"
        ENGINE_OIL = "engine oil"
        LEVEL_AT_TEMPERATURE = "level at temperature"
        COOLANT = "coolant"
        BRAKE_FLUID = "brake fluid"
        SEALING_PLUG = "sealing plug"  # a plug that holds oil back, and no drain or fill plug
        CHECK = "check"
        OTHER = "other"

    service = models.OneToOneField(Service, models.CASCADE, related_name="procedure")
    family = models.CharField(max_length=20, choices=Family)
    edition = models.CharField(max_length=80)  # of the book the figures are from
    source = models.CharField(max_length=300)
    minutes = models.PositiveSmallIntegerField()  # labour
    refill_l = models.FloatField(null=True, blank=True)  # with what this procedure changes
    refill_tolerance_low = models.FloatField(default=0.15)  # share; our choice
    refill_tolerance_high = models.FloatField(default=0.10)  # share; our choice
    wheels_removed = models.BooleanField(default=False)
    wheel_nut_torque_nm = models.FloatField(null=True, blank=True)
    retorque_after_km = models.FloatField(null=True, blank=True)
    used_fluid_class = models.CharField(max_length=60, blank=True)  # e.g. "used oil"
    re_check = models.CharField(max_length=200, blank=True)  # what to re-check, and when
    note = models.CharField(max_length=300, blank=True)

    history = HistoricalRecords()

    class Meta:
        ordering = ["service"]

    def __str__(self) -> str:
        return f"{self.service}, {self.edition}"


class Step(models.Model):
    """One thing to do. The kind is what the rules of the procedure family speak about."""

    class Kind(models.TextChoices):
        PREPARE = "prepare"
        RAISE = "raise"
        LEVEL_VEHICLE = "level vehicle"
        OPEN_FILL = "open fill plug"
        OPEN_DRAIN = "open drain plug"
        DRAIN = "drain"
        INSPECT = "inspect"
        CLOSE_DRAIN = "close drain plug"
        FILTER = "filter"
        FILL = "fill"
        CLOSE_FILL = "close fill plug"
        RUN = "run"
        WAIT = "wait"
        READ_LEVEL = "read level"
        BLEED = "bleed"
        FIRM_PEDAL = "firm pedal"
        BRAKE_TEST = "brake test"
        MEASURE = "measure"
        LEAK_CHECK = "leak check"
        REFIT = "refit"
        LOWER = "lower"
        DRIVE = "drive"  # the vehicle moves on its wheels
        SUCTION = "suction"  # old fluid drawn out from above
        OPEN_CAP = "open cap"
        CLOSE_CAP = "close cap"
        OPEN_PLUG = "open plug"  # neither drain nor fill plug
        CLOSE_PLUG = "close plug"
        CURE = "cure"  # a sealant is left to harden
        CLEAN_UP = "clean up"

    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="steps")
    number = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=16, choices=Kind)
    text = models.CharField(max_length=500)
    under_vehicle = models.BooleanField(default=False)
    engine_running = models.BooleanField(default=False)
    fastener = models.CharField(max_length=40, blank=True)  # slug of the procedure's fastener
    points = models.JSONField(default=list, blank=True)  # a record each; empty: the step is one
    confirm = models.BooleanField(default=False)  # not done without a record
    moving_hold = models.BooleanField(default=False)  # the vehicle does not move before it
    wait_min = models.PositiveSmallIntegerField(null=True, blank=True)  # until it has cured
    figure = models.CharField(max_length=40, blank=True)  # slug of a figure of the service

    class Meta:
        ordering = ["procedure", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "number"], name="one_step_per_procedure_and_number"
            )
        ]

    def __str__(self) -> str:
        return f"{self.number}. {self.text}"


class Caution(models.Model):
    """A hazard and the least to do about it, shown where the hazard begins and begins again."""

    class While(models.TextChoices):
        """How the vehicle stands at a step."""

        ENGINE_OFF = "engine off"
        ENGINE_RUNNING = "engine running"
        STANDING = "standing"
        MOVING = "moving"
        BENEATH = "under the vehicle"

    class Demand(models.TextChoices):
        """What a caution asks for; a step that makes it impossible contradicts it."""

        ENGINE_OFF = "engine off"
        KEY_OUT = "key out"
        STANDING = "standing"
        COLD = "cold"

    class Returns(models.TextChoices):
        """What brings a caution back on one job."""

        STEP = "each step"
        RAISED = "each time raised"
        RUN = "each run"
        HOT = "each time hot"
        JOB = "each job"

    slug = models.SlugField(max_length=40, unique=True)
    text = models.CharField(max_length=500)
    source = models.CharField(max_length=300)
    step_kinds = models.JSONField(default=list, blank=True)  # empty: by the other marks
    raising = models.JSONField(default=list, blank=True)  # for these ways to raise; empty: all
    families = models.JSONField(default=list, blank=True)  # empty: all
    powertrains = models.JSONField(default=list, blank=True)  # empty: all
    under_vehicle = models.BooleanField(default=False)  # before any step under the vehicle
    engine_running = models.BooleanField(default=False)  # before any step with it running
    wheels_removed = models.BooleanField(default=False)
    salted_roads = models.BooleanField(default=False)
    used_fluids = models.JSONField(default=list, blank=True)  # classes; empty: any and none
    only_while = models.JSONField(default=list, blank=True)  # all of these; empty: always
    demands = models.JSONField(default=list, blank=True)  # what a step may not contradict
    returns = models.CharField(
        max_length=16, choices=Returns, blank=True
    )  # empty: with the mark that calls it, else once a job

    history = HistoricalRecords()

    class Meta:
        ordering = ["slug"]

    def __str__(self) -> str:
        return self.slug


class Fastener(models.Model):
    """A plug, cap or bolt with its torque and its own seal."""

    class Seal(models.TextChoices):
        NONE = "none"
        WASHER = "sealing washer"
        O_RING = "O-ring"
        SEALANT = "sealant"
        TAPER = "dry taper"  # seals by its own thread: nothing is renewed

    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="fasteners")
    slug = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    torque_nm = models.FloatField()  # lower end of a range
    torque_max_nm = models.FloatField(null=True, blank=True)  # upper end of a range
    stated_unit = models.CharField(max_length=8, default="N·m")  # of the source figure
    tolerance = models.FloatField(null=True, blank=True)  # share; empty: 10 %, our choice
    drive = models.CharField(max_length=40, blank=True)  # "13 mm hexagon", "1/2 in square", …
    seal = models.CharField(max_length=16, choices=Seal)
    seal_size = models.CharField(max_length=60, blank=True)  # e.g. "18 × 24 × 1.5 mm copper"
    single_use = models.BooleanField(default=False)  # the fastener itself is not used again
    source = models.CharField(max_length=300)

    history = HistoricalRecords()

    class Meta:
        ordering = ["procedure", "slug"]
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "slug"], name="one_fastener_per_procedure_and_slug"
            )
        ]

    def __str__(self) -> str:
        return self.name


class Material(models.Model):
    """What goes in or on: fluid, filter, seals, and one-time fixings: what tends to break."""

    class Kind(models.TextChoices):
        FLUID = "fluid"
        FILTER = "filter"
        SEAL = "seal"
        ONE_TIME_FIXING = "one-time fixing"
        CONSUMABLE = "consumable"

    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="materials")
    kind = models.CharField(max_length=16, choices=Kind)
    name = models.CharField(max_length=120)
    specification = models.ForeignKey(
        Specification, models.PROTECT, null=True, blank=True, related_name="+"
    )
    quantity_ml = models.PositiveIntegerField(null=True, blank=True)  # fluids
    container_ml = models.PositiveIntegerField(null=True, blank=True)  # as the fluid is sold
    pieces = models.PositiveSmallIntegerField(null=True, blank=True)  # everything else
    fastener = models.CharField(max_length=40, blank=True)  # slug of the one it seals
    item = models.ForeignKey(
        Item, models.SET_NULL, null=True, blank=True, related_name="+"
    )  # that serves it; empty: by what the compartment accepts, or by name
    only_when_recorded = models.BooleanField(
        default=False
    )  # used only where a step finds it needed: booked when recorded, never by the book
    source = models.CharField(max_length=300)

    class Meta:
        ordering = ["procedure", "kind", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "kind", "name", "fastener"],
                name="one_material_per_procedure_kind_name_and_fastener",
            ),
            models.CheckConstraint(
                condition=models.Q(quantity_ml__isnull=False, pieces__isnull=True)
                | models.Q(quantity_ml__isnull=True, pieces__isnull=False),
                name="a_material_has_millilitres_or_pieces",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Substitute(models.Model):
    """A supervisor's leave to use a product that the compartment's list does not accept."""

    compartment = models.ForeignKey(Compartment, models.CASCADE, related_name="substitutes")
    product = models.ForeignKey(Product, models.PROTECT, related_name="+")
    job = models.ForeignKey(
        "workorders.Job", models.CASCADE, null=True, blank=True, related_name="substitutes"
    )  # empty: always
    reason = models.CharField(max_length=300)
    source = models.CharField(max_length=300)
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    approved_at = models.DateTimeField(auto_now_add=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.product} in {self.compartment}"
