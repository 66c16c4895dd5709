"""Orders and their jobs. A change of state is made in ``progress`` only, which writes an event."""

import uuid
from datetime import date
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models.functions import Coalesce

from fleet.due.models import Service
from fleet.vehicles.models import Compartment, Depot, Vehicle
from fleet.workorders.models.procedures import Raising

NO_DAY_FIRST = date.min  # what is under way without a day comes before what was planned
NO_DAY_LAST = date.max  # nothing is to be brought in by a day


class DayOr(Coalesce):
    """A day of an order, never null."""

    def __init__(self, column: str, without: date) -> None:
        super().__init__(column, models.Value(without, models.DateField()))
        self.without = without

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        """In the words of its index: SQLite knows no index by what is handed over beside them."""
        day, params = compiler.compile(self.get_source_expressions()[0])
        return f"COALESCE({day}, '{self.without}')", params


DAY_OR_FIRST = DayOr("planned_on", NO_DAY_FIRST)
NEEDED_OR_LAST = DayOr("needed_on", NO_DAY_LAST)


class StillOpen(models.Func):
    """That an order is open, said a second time in the words of the indexes of open orders: by
    these alone SQLite knows them."""

    template = "NOT (%(expressions)s IN ('signed off', 'cancelled'))"
    output_field = models.BooleanField()

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        """Not a second time: PostgreSQL would take it for one more thing that few rows are."""
        return "TRUE", ()


class WorkOrder(models.Model):
    """What is to be done on one vehicle on one occasion."""

    class State(models.TextChoices):
        DRAFTED = "drafted"
        RELEASED = "released"
        STARTED = "started"
        WAITING = "waiting"
        FINISHED = "finished"
        SIGNED_OFF = "signed off"
        CANCELLED = "cancelled"

    class Where(models.TextChoices):
        OWN = "own workshop"
        OUTSIDE = "outside workshop"

    class Fit(models.TextChoices):
        YES = "yes"
        NO = "no"
        RESTRICTED = "with restriction"

    OPEN = (State.DRAFTED, State.RELEASED, State.STARTED, State.WAITING, State.FINISHED)

    number = models.CharField(max_length=20, unique=True)
    vehicle = models.ForeignKey(Vehicle, models.PROTECT, related_name="work_orders")
    depot = models.ForeignKey(Depot, models.PROTECT, related_name="work_orders", db_index=False)
    where = models.CharField(max_length=16, choices=Where, default=Where.OWN)
    state = models.CharField(max_length=10, choices=State, default=State.DRAFTED)
    version = models.PositiveIntegerField(default=1)  # for conditional requests
    planned_on = models.DateField(null=True, blank=True)
    # the earliest by which an open job wants the vehicle brought in; ``needed`` keeps it
    needed_on = models.DateField(null=True, blank=True, editable=False)
    # although the vehicle cannot come then: closed, or away
    why_it_stands = models.CharField(max_length=300, blank=True)
    assigned_to = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="work_orders"
    )
    raising = models.CharField(max_length=16, choices=Raising, default=Raising.LIFT)
    reason = models.CharField(max_length=300, blank=True)  # why it was drafted by hand
    follows = models.ForeignKey(
        "workorders.Finding", models.SET_NULL, null=True, blank=True, related_name="follow_ups"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    released_at = models.DateTimeField(null=True, blank=True)
    arrived_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    waiting_for = models.CharField(max_length=120, blank=True)
    waiting_since = models.DateTimeField(null=True, blank=True)
    waited_s = models.PositiveIntegerField(default=0)  # in all, of past waits
    finished_at = models.DateTimeField(null=True, blank=True)
    finished_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    returned_at = models.DateTimeField(null=True, blank=True)
    signed_off_at = models.DateTimeField(null=True, blank=True)
    signed_off_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    late_since = models.DateTimeField(null=True, blank=True)  # records came late; not seen yet
    reading = models.ForeignKey(
        "readings.Reading", models.SET_NULL, null=True, blank=True, related_name="+"
    )
    fit_for_use = models.CharField(max_length=16, choices=Fit, blank=True)
    restriction = models.CharField(max_length=300, blank=True)
    workshop_name = models.CharField(max_length=120, blank=True)  # outside workshop
    invoice_number = models.CharField(max_length=60, blank=True)
    cost_minor = models.PositiveIntegerField(null=True, blank=True)  # net, in cents
    document = models.CharField(max_length=200, blank=True)  # path below the files folder

    class Meta:
        ordering = ["planned_on", "number"]
        indexes = [
            models.Index(  # a mechanic's day, in a table that keeps every order ever made
                fields=["assigned_to", "planned_on"],
                name="orders_open_by_person",
                condition=models.Q(state__in=["released", "started", "waiting"]),
            ),
            models.Index(  # a depot's open orders; states are counted without the rows
                fields=["depot", "planned_on", "id", "state"],
                name="orders_open_at_depot",
                condition=~models.Q(state__in=["signed off", "cancelled"]),
            ),
            models.Index(  # open orders of many depots by their day, paged by key
                Coalesce("planned_on", models.Value(NO_DAY_FIRST, models.DateField())),
                "id",
                name="orders_open_by_day",
                condition=~models.Q(state__in=["signed off", "cancelled"]),
            ),
            models.Index(  # the same, the most urgent first
                Coalesce("needed_on", models.Value(NO_DAY_LAST, models.DateField())),
                "id",
                name="orders_open_by_need",
                condition=~models.Q(state__in=["signed off", "cancelled"]),
            ),
            models.Index(fields=["depot", "-id"], name="orders_newest_by_depot"),
            models.Index(  # what was finished today
                fields=["depot", "finished_at"],
                name="orders_finished",
                condition=models.Q(finished_at__isnull=False),
            ),
            models.Index(  # records that came after the sign-off: few
                fields=["depot"],
                name="orders_with_late_records",
                condition=models.Q(late_since__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.number


class Job(models.Model):
    """One service (or a piece of other work) on an order."""

    class State(models.TextChoices):
        OPEN = "open"
        DONE = "done"
        PART_DONE = "part done"
        NOT_DONE = "not done"
        DROPPED = "dropped"  # the order was cancelled, or the job taken off it

    class Reason(models.TextChoices):
        PLUG_SEIZED = "plug seized"
        PART_MISSING = "part missing"
        WRONG_FLUID = "wrong fluid supplied"
        TAKEN_BACK = "vehicle taken back"
        DAMAGE = "damage found"
        OTHER = "other"

    order = models.ForeignKey(WorkOrder, models.CASCADE, related_name="jobs")
    vehicle = models.ForeignKey(Vehicle, models.PROTECT, related_name="jobs", db_index=False)
    service = models.ForeignKey(
        Service, models.PROTECT, null=True, blank=True, related_name="jobs", db_index=False
    )  # empty: other work, in words
    compartment = models.ForeignKey(
        Compartment, models.PROTECT, null=True, blank=True, related_name="+"
    )  # of other work; empty: that of its service, or none
    title = models.CharField(max_length=120)
    minutes = models.PositiveSmallIntegerField(default=0)  # by the book
    spent_min = models.PositiveSmallIntegerField(
        null=True, blank=True
    )  # on what was not, or not all, done; empty: done, or nobody said
    state = models.CharField(max_length=9, choices=State, default=State.OPEN)
    reason = models.CharField(max_length=24, choices=Reason, blank=True)
    reason_text = models.CharField(max_length=300, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    returned = models.BooleanField(default=False)  # waits for the supervisor's decision
    done = models.OneToOneField(
        "due.ServiceDone", models.SET_NULL, null=True, blank=True, related_name="job"
    )

    class Meta:
        ordering = ["order", "id"]
        indexes = [
            models.Index(  # what came back and waits for a decision: few
                fields=["order"], name="jobs_returned", condition=models.Q(returned=True)
            )
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "service"],
                condition=models.Q(state="open", service__isnull=False),
                name="one_open_job_per_vehicle_and_service",
            ),
            models.CheckConstraint(
                condition=~models.Q(state="done") | models.Q(reason="", reason_text=""),
                name="a_done_job_carries_no_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order}: {self.title}"

    @property
    def place(self) -> Compartment | None:
        """The compartment that is worked on, where one is named."""
        return self.service.compartment if self.service else self.compartment


class OrderEvent(models.Model):
    """One change of an order or a job: who, when, by which channel, why. Never changed."""

    order = models.ForeignKey(WorkOrder, models.CASCADE, related_name="events")
    job = models.ForeignKey(Job, models.CASCADE, null=True, related_name="events")
    what = models.CharField(max_length=24)  # the transition's name
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12, blank=True)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    reason = models.CharField(max_length=300, blank=True)
    planned_on = models.DateField(null=True)  # the day that the order was given
    assigned_to = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+", db_index=False
    )  # whom it was given to
    emptied = models.BooleanField(default=False)  # its day, or who had it, was taken off
    request_id = models.UUIDField(default=uuid.uuid4)
    performed_at = models.DateTimeField()  # when it happened, as the phone says
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["order", "id"]

    def __str__(self) -> str:
        return f"{self.order} {self.what}"


class DoNotUse(models.Model):
    """A vehicle that must not be used; set by anyone, cleared by another authorised person."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="do_not_use")
    finding = models.ForeignKey(
        "workorders.Finding", models.SET_NULL, null=True, blank=True, related_name="marks"
    )  # that set it; empty: set by itself
    reason = models.CharField(max_length=300)
    set_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    set_at = models.DateTimeField()
    cleared_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    cleared_at = models.DateTimeField(null=True, blank=True)
    cleared_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-set_at"]
        indexes = [
            models.Index(  # shown wherever the vehicle is
                fields=["vehicle"],
                name="do_not_use_in_force",
                condition=models.Q(cleared_at__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle}: {self.reason}"


class Escalation(models.Model):
    """An overdue service that somebody has been told about, and who must answer."""

    class Stage(models.TextChoices):
        SUPERVISOR = "supervisor"
        DEPUTY_AND_MANAGER = "deputy and manager"
        USE_OR_STAND_DOWN = "use or stand down"

    class Answer(models.TextChoices):
        USE = "use"
        STAND_DOWN = "stand down"
        PLANNED = "planned"

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="escalations")
    service = models.ForeignKey(Service, models.CASCADE, related_name="+")
    stage = models.CharField(max_length=20, choices=Stage)
    since_on = models.DateField()
    answer = models.CharField(max_length=12, choices=Answer, blank=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    answered_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    closed_on = models.DateField(null=True, blank=True)  # the service was done

    class Meta:
        ordering = ["-since_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "service", "stage"],
                condition=models.Q(closed_on__isnull=True),
                name="one_open_escalation_per_vehicle_service_and_stage",
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.service}: {self.stage}"
