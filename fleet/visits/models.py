"""Rows of the workshop days: what a depot has, and the plans made with it."""

import numpy as np
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils import timezone
from simple_history.models import HistoricalRecords

from fleet.calc.arrays import FloatArray
from fleet.due.models import Service
from fleet.vehicles.models import Depot, Vehicle
from fleet.visits.events import PlanEvent as PlanEvent
from fleet.visits.limits import BlockedDays as BlockedDays
from fleet.visits.limits import SparedType as SparedType
from fleet.workorders.models import Finding, Job

ROUNDING_MIN = 1e-6  # 720 minutes less three tenths are 504, not a hair less
WEEK = RegexValidator("^[01]{7}$", message="write seven digits, Monday first: 1 there, 0 not")


class Workshop(models.Model):
    """What a depot's workshop is like, and what lateness and visits cost there. A depot without
    such a row is planned by the figures below, which are our choice."""

    depot = models.OneToOneField(Depot, models.CASCADE, related_name="workshop")
    opening_min = models.PositiveSmallIntegerField(default=480)  # a day [min]
    kept_share = models.FloatField(
        default=0.3, validators=[MinValueValidator(0), MaxValueValidator(0.95)]
    )  # of all minutes, for unplanned work
    set_up_min = models.PositiveSmallIntegerField(default=20)  # of each visit [min]
    vehicles_a_day = models.PositiveSmallIntegerField(
        null=True, blank=True
    )  # that the depot can spare; empty: any number
    visit_minor = models.PositiveIntegerField(default=5_000)  # cost of a visit by itself
    late_change_minor = models.PositiveIntegerField(default=4_000)  # a change a day late
    late_check_minor = models.PositiveIntegerField(default=2_000)  # a check a day late
    growing_minor = models.PositiveIntegerField(default=0)  # on top, times the square of the days
    change_minor = models.PositiveIntegerField(default=9_000)  # price of a change thrown away
    check_minor = models.PositiveIntegerField(default=2_500)  # price of a check thrown away
    moved_minor = models.PositiveIntegerField(default=4_000)  # a service moved off its day
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot"]

    def __str__(self) -> str:
        return f"workshop of {self.depot}"

    @classmethod
    def of(cls, depot: Depot) -> "Workshop":
        """As it was entered for a depot, else as usual."""
        return cls.objects.filter(depot=depot).first() or cls(depot=depot)

    def may_plan(self, present_min: FloatArray | float) -> FloatArray:
        """Of all the minutes that are there, those that plans may take, whole [min].

        Each day, and each group that can do the same, is held to them; a visit by itself only to
        the full day of whoever does it, so that a long one is still planned. What stands already,
        and what a person puts on a day, may take the minutes that are kept as well.
        """
        return np.floor(np.asarray(present_min) * (1 - self.kept_share) + ROUNDING_MIN)


class Bay(models.Model):
    """A place in a workshop where one vehicle stands."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="bays")
    name = models.CharField(max_length=40)
    rated_kg = models.PositiveIntegerField(null=True, blank=True)  # by its plate; empty: any mass
    length_m = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.5)])
    height_m = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.5)])
    opening_min = models.PositiveSmallIntegerField(null=True, blank=True)  # empty: as the workshop
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot", "name"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "name"], name="one_bay_per_depot_and_name")
        ]

    def __str__(self) -> str:
        return self.name


class Mechanic(models.Model):
    """Somebody who works in a workshop, on which days, and what not everybody there can do."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="mechanics")
    name = models.CharField(max_length=80)
    minutes = models.PositiveSmallIntegerField(default=480)  # on a day of work [min]
    works_on = models.CharField(max_length=7, default="1111100", validators=[WEEK])
    skills = models.JSONField(default=list, blank=True)  # as services ask for them
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="mechanics"
    )  # who gets the orders that are published; empty: whoever takes them
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["depot", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "name"], name="one_mechanic_per_depot_and_name"
            )
        ]

    def __str__(self) -> str:
        return self.name


class Absence(models.Model):
    """Days on which a mechanic is not there, or a vehicle cannot come."""

    mechanic = models.ForeignKey(
        Mechanic, models.CASCADE, null=True, blank=True, related_name="absences"
    )
    vehicle = models.ForeignKey(
        Vehicle, models.CASCADE, null=True, blank=True, related_name="absences"
    )
    from_on = models.DateField()
    until_on = models.DateField()
    reason = models.CharField(max_length=200, blank=True)

    history = HistoricalRecords()

    class Meta:
        ordering = ["from_on"]
        constraints = [
            models.CheckConstraint(
                condition=Q(mechanic__isnull=False, vehicle__isnull=True)
                | Q(mechanic__isnull=True, vehicle__isnull=False),
                name="an_absence_is_of_a_mechanic_or_of_a_vehicle",
            ),
            models.CheckConstraint(
                condition=Q(until_on__gte=models.F("from_on")),
                name="an_absence_ends_not_before_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mechanic or self.vehicle} away {self.from_on} to {self.until_on}"


class ServiceNeed(models.Model):
    """What a service asks of whoever does it, beyond its minutes by the book."""

    service = models.OneToOneField(Service, models.CASCADE, related_name="need")
    skills = models.JSONField(default=list, blank=True)  # all of one person
    second_min = models.PositiveSmallIntegerField(default=0)  # of a second person [min]
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["service"]

    def __str__(self) -> str:
        return f"{self.service} asks for {', '.join(self.skills) or 'nothing special'}"


class OtherWork(models.Model):
    """Work on a vehicle in words, which services join: an inspection, a recall, tyres, what a
    finding asks for. What it is on an order is told by its job there."""

    class Kind(models.TextChoices):
        INSPECTION = "inspection"
        RECALL = "recall"
        TYRES = "tyres"
        FINDING = "finding"
        OTHER = "other"

    class Ending(models.TextChoices):
        DONE = "done"
        CANCELLED = "cancelled"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="other_work", db_index=False)
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.OTHER)
    title = models.CharField(max_length=120)  # what is to be done, in words
    number = models.CharField(max_length=40, blank=True)  # of a recall, as its letter has it
    minutes = models.PositiveSmallIntegerField()  # of whoever does it [min]
    fixed_on = models.DateField(null=True, blank=True)  # its day stands
    why_it_stands = models.CharField(
        max_length=300, blank=True
    )  # a fixed day on which no vehicle can come
    latest_on = models.DateField(null=True, blank=True)  # else: by then; neither: whenever it is in
    skills = models.JSONField(default=list, blank=True)  # all of one person
    finding = models.OneToOneField(
        Finding, models.CASCADE, null=True, blank=True, related_name="other_work"
    )  # that asks for it
    job = models.OneToOneField(
        Job, models.SET_NULL, null=True, blank=True, related_name="other_work"
    )  # as which it is on an order
    entered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    entered_at = models.DateTimeField(default=timezone.now)
    ending = models.CharField(max_length=9, choices=Ending, blank=True)  # by hand; empty: none
    ended_on = models.DateField(null=True, blank=True)
    ended_reason = models.CharField(max_length=200, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )

    history = HistoricalRecords()

    class Meta:
        ordering = ["vehicle", "id"]
        indexes = [models.Index(fields=["vehicle", "ending"], name="other_work_open_by_vehicle")]
        constraints = [
            models.CheckConstraint(
                condition=Q(fixed_on__isnull=True) | Q(latest_on__isnull=True),
                name="other_work_has_a_fixed_or_a_latest_day",
            ),
            models.CheckConstraint(
                condition=Q(ending="") | Q(ended_on__isnull=False),
                name="other_work_that_ended_has_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.number})" if self.number else self.title


class Plan(models.Model):
    """One plan of a depot. The newest is the one that is looked at; no order follows from it."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="plans", db_index=False)
    as_of_on = models.DateField()  # its first day
    days = models.PositiveSmallIntegerField()
    made_at = models.DateTimeField(auto_now_add=True)
    inputs_hash = models.CharField(max_length=64)
    cost_minor = models.BigIntegerField()
    linear_minor = models.BigIntegerField()  # bound by the linear program
    bound_minor = models.BigIntegerField()  # as far as was proved
    solver = models.CharField(max_length=40)
    seed = models.BigIntegerField()
    prices = models.JSONField(default=list)  # about, per hour (or vehicle): what, day, minor units
    lacking = models.JSONField(default=list)  # sentences: what is not entered, and what was taken
    compared = models.JSONField(default=list)  # what usual ways of planning would come to
    unplanned = models.JSONField(
        null=True
    )  # share of the minutes it took lately, orders, of how many; null: not known
    version = models.PositiveIntegerField(default=1)  # rises with each change by a person

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["depot", "-id"], name="plans_newest_by_depot")]

    def __str__(self) -> str:
        return f"{self.depot} from {self.as_of_on}"


class Visit(models.Model):
    """A vehicle that comes in on a day of a plan."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="visits", db_index=False)
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="visits")
    on = models.DateField()
    bay = models.CharField(max_length=40, blank=True)
    mechanic = models.CharField(max_length=80, blank=True)
    minutes = models.PositiveSmallIntegerField()  # in the bay [min]
    work_min = models.PositiveSmallIntegerField(default=0)  # of all who work on it [min]
    held = models.BooleanField(default=False)  # too near to be moved by a night
    locked = models.BooleanField(default=False)  # its day is a person's choice
    unfit = models.TextField(blank=True)  # why its day holds it no more, and what would mend it

    class Meta:
        ordering = ["plan", "on", "vehicle"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "vehicle", "on"], name="one_visit_per_plan_vehicle_and_day"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} on {self.on}"


class Promise(models.Model):
    """A day on which somebody was told that a vehicle comes in. How it ended is never changed."""

    class Ending(models.TextChoices):
        KEPT = "kept"  # the work had begun on that day at the depot
        MOVED = "moved"  # to another day, in good time
        BROKEN = "broken"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="promises")
    depot = models.ForeignKey(Depot, models.CASCADE, related_name="promises", db_index=False)
    on = models.DateField()
    told_to = models.CharField(max_length=120)
    told_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    told_at = models.DateTimeField()
    ending = models.CharField(max_length=8, choices=Ending, blank=True)  # empty: it stands
    ended_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["on", "vehicle"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "on"],
                condition=Q(ending=""),
                name="one_promise_stands_per_vehicle_and_day",
            )
        ]
        indexes = [models.Index(fields=["depot", "on"], name="promises_by_depot_and_day")]

    def __str__(self) -> str:
        return f"{self.vehicle} on {self.on}, told to {self.told_to}"


class CalendarFeed(models.Model):
    """A secret address at which the published days of a depot, or of one vehicle wherever it is,
    are a calendar; its digest is kept."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="calendar_feeds")
    vehicle = models.ForeignKey(
        Vehicle, models.CASCADE, null=True, related_name="calendar_feeds"
    )  # empty: all of the depot
    digest = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"calendar of {self.vehicle or self.depot}"


# What is planned, by one number: the id of a service, or minus that of other work.
PLANNED_KEY = Coalesce(F("service"), -F("work"))


class PlannedService(models.Model):
    """A service, or other work, in a plan: on which visit, or left out, and why not on the day it
    wants."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="services", db_index=False)
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="+")
    service = models.ForeignKey(Service, models.CASCADE, null=True, related_name="+")
    work = models.ForeignKey(OtherWork, models.CASCADE, null=True, related_name="planned")
    visit = models.ForeignKey(Visit, models.CASCADE, null=True, related_name="services")
    wanted_on = models.DateField()  # the day it would cost least; of other work its last
    held = models.BooleanField(default=False)  # its day was not this plan's to choose
    late_d = models.FloatField()  # expected on its day, or at the plan's end [d]
    early_d = models.FloatField(default=0)  # expected on its day [d]
    early_minor = models.PositiveIntegerField(default=0)  # of paid life, thrown away thereby
    reason = models.CharField(max_length=32)
    detail = models.CharField(max_length=200, blank=True)  # a part, or an earlier place
    planned_because = models.CharField(
        max_length=32, blank=True
    )  # of a day that stands: the reason of the plan that chose it

    class Meta:
        ordering = ["plan", "vehicle", "service"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "vehicle", "service"],
                name="one_planned_service_per_plan_vehicle_and_service",
            ),
            models.UniqueConstraint(
                fields=["plan", "work"], name="other_work_is_planned_once_per_plan"
            ),
            models.CheckConstraint(
                condition=Q(service__isnull=False, work__isnull=True)
                | Q(service__isnull=True, work__isnull=False),
                name="planned_is_a_service_or_other_work",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.name}: {self.reason}"

    @property
    def name(self) -> str:
        """What is done."""
        return self.service.name if self.service else str(self.work)

    @property
    def key(self) -> int:
        """As in ``PLANNED_KEY``."""
        return self.service_id or -(self.work_id or 0)
