"""What was done and seen. Rows are only added, each under a key made by the sender, so that a
phone without a network can send them later, and twice, without harm."""

from datetime import date

from django.conf import settings
from django.db import models

from fleet.due.models import CheckResult
from fleet.stores.models import Product
from fleet.vehicles.models import Compartment, Depot, Vehicle
from fleet.workorders.models.orders import Job, WorkOrder


class Record(models.Model):
    """What every record carries."""

    client_key = models.CharField(max_length=64, unique=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    performed_at = models.DateTimeField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)  # empty also: not kept before
    withdrawn_reason = models.CharField(max_length=300, blank=True)  # a recorded correction

    class Meta:
        abstract = True


class Wrench(models.Model):
    """A torque wrench of a depot."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="wrenches")
    tag = models.CharField(max_length=40)  # as engraved
    calibrated_until_on = models.DateField()

    class Meta:
        ordering = ["depot", "tag"]
        verbose_name_plural = "wrenches"
        constraints = [
            models.UniqueConstraint(fields=["depot", "tag"], name="one_wrench_per_depot_and_tag")
        ]

    def __str__(self) -> str:
        return self.tag

    def valid_on(self, day: date) -> bool:
        """Whether its calibration still holds on a day at its depot."""
        return day <= self.calibrated_until_on


class TorqueRecord(Record):
    job = models.ForeignKey(Job, models.CASCADE, related_name="torques")
    fastener = models.CharField(max_length=40)  # slug in the procedure
    fastener_name = models.CharField(max_length=80)
    point = models.CharField(max_length=40, blank=True)  # where there are several of it
    reference_nm = models.FloatField()
    figure_source = models.CharField(max_length=300, blank=True)  # book, where no procedure is
    torque_nm = models.FloatField()
    typed = models.CharField(max_length=40, blank=True)  # with its unit, if that was not N·m
    to_the_figure = models.BooleanField()  # one tap: tightened to the figure shown
    wrench = models.ForeignKey(Wrench, models.PROTECT, null=True, related_name="+")
    question = models.CharField(max_length=300, blank=True)  # what the program asked back
    override_reason = models.CharField(max_length=300, blank=True)  # the answer, if it stands

    def __str__(self) -> str:
        name = f"{self.fastener_name}, {self.point}" if self.point else self.fastener_name
        as_typed = f" as typed: {self.typed}" if self.typed else ""
        return f"{name} {self.torque_nm:g} N·m{as_typed}"


class FluidRecord(Record):
    class Way(models.TextChoices):
        OUT = "drained"
        IN = "filled"
        TOP_UP = "topped up"

    job = models.ForeignKey(Job, models.CASCADE, related_name="fluids")
    compartment = models.ForeignKey(Compartment, models.PROTECT, related_name="+")
    way = models.CharField(max_length=9, choices=Way)
    quantity_ml = models.PositiveIntegerField()
    typed = models.CharField(max_length=40, blank=True)  # with its unit, if that was not litres
    look = models.CharField(max_length=60, blank=True)  # of what came out
    product = models.ForeignKey(Product, models.PROTECT, null=True, blank=True, related_name="+")
    batch = models.CharField(max_length=60, blank=True)
    question = models.CharField(max_length=300, blank=True)
    override_reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        as_typed = f" as typed: {self.typed}" if self.typed else ""
        return f"{self.way} {self.quantity_ml / 1000:g} L{as_typed}"


class MaterialUsed(Record):
    job = models.ForeignKey(Job, models.CASCADE, related_name="materials_used")
    name = models.CharField(max_length=120)
    pieces = models.PositiveSmallIntegerField(null=True, blank=True)
    quantity_ml = models.PositiveIntegerField(null=True, blank=True)
    broken = models.BooleanField(default=False)  # it broke on removal
    question = models.CharField(max_length=300, blank=True)
    override_reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return self.name


class Note(Record):
    order = models.ForeignKey(WorkOrder, models.CASCADE, related_name="notes")
    text = models.CharField(max_length=1000)

    def __str__(self) -> str:
        return self.text[:60]


class Finding(Record):
    """What looked wrong and must be followed up."""

    class Kind(models.TextChoices):
        SEEP = "seep"
        DRIP = "drip"
        STREAM = "stream"
        LEAK = "leak"
        NOISE = "noise"
        METAL = "metal in the oil"
        WATER = "water in the oil"
        DAMAGE = "damage"
        WEAR = "wear"
        MISSING_SEALANT = "missing sealant"
        SEIZED_PLUG = "seized plug"
        CROSS_THREADED = "cross-threaded"
        WRONG_FLUID = "wrong fluid"
        CONSUMPTION = "consumption"
        LOOK_OF_FLUID = "look of the fluid"
        QUANTITY = "quantity drained"
        OTHER = "other"

    class Severity(models.TextChoices):
        WATCH = "watch"
        SOON = "soon"
        BEFORE_USE = "before use"

    class FoundBy(models.TextChoices):
        DRIVER = "driver"
        MECHANIC = "mechanic"
        OUTSIDE = "outside workshop"
        PROGRAM = "program"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="findings")
    compartment = models.ForeignKey(
        Compartment, models.PROTECT, null=True, blank=True, related_name="+"
    )
    order = models.ForeignKey(
        WorkOrder, models.SET_NULL, null=True, blank=True, related_name="findings"
    )
    fluid = models.ForeignKey(
        FluidRecord, models.SET_NULL, null=True, blank=True, related_name="raised"
    )  # the wrong fluid that raised it
    result = models.ForeignKey(
        CheckResult, models.SET_NULL, null=True, blank=True, related_name="raised"
    )  # the measured value that failed and raised it
    kind = models.CharField(max_length=20, choices=Kind)
    severity = models.CharField(max_length=10, choices=Severity)
    found_by = models.CharField(max_length=16, choices=FoundBy)
    text = models.CharField(max_length=500)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    closed_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-performed_at", "-id"]
        indexes = [
            models.Index(  # what still wants following up
                fields=["vehicle"],
                name="findings_open",
                condition=models.Q(closed_at__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.text[:60]}"


class Photo(Record):
    order = models.ForeignKey(
        WorkOrder, models.CASCADE, null=True, blank=True, related_name="photos"
    )
    finding = models.ForeignKey(
        Finding, models.CASCADE, null=True, blank=True, related_name="photos"
    )
    path = models.CharField(max_length=200)  # below the files folder, re-encoded
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    caption = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return self.path


class Gap(models.Model):
    """What a job's procedure expects and nobody recorded, though the job is done: and why."""

    class Kind(models.TextChoices):
        TORQUE = "torque"
        LITRES = "litres"
        LEVEL = "level"
        VALUE = "value"
        POINT = "point"

    job = models.ForeignKey(Job, models.CASCADE, related_name="gaps")
    kind = models.CharField(max_length=8, choices=Kind)
    place = models.CharField(max_length=120)  # names it within the job
    words = models.CharField(max_length=300)
    safety = models.BooleanField(default=False)
    reason = models.CharField(max_length=300)  # done all the same, because …
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    performed_at = models.DateTimeField()

    class Meta:
        ordering = ["job", "id"]
        constraints = [
            models.UniqueConstraint(fields=["job", "place"], name="one_gap_per_job_and_place"),
            models.CheckConstraint(condition=~models.Q(reason=""), name="a_gap_carries_its_reason"),
        ]

    def __str__(self) -> str:
        return self.words


class Evidence(models.Model):
    """What an order rested on when it was finished, frozen."""

    job = models.OneToOneField(Job, models.CASCADE, primary_key=True, related_name="evidence")
    frozen_at = models.DateTimeField()
    facts = models.JSONField()  # limit, class, tolerance, specification, edition, product, batch …
    due_on = models.DateField(null=True)  # by the calendar limit or the day the limit was crossed
    within_limit = models.BooleanField(null=True)
    within_tolerance = models.BooleanField(null=True)

    def __str__(self) -> str:
        return f"evidence of {self.job}"
