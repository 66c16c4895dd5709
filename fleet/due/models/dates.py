"""When each service falls due, and what that rests on."""

from django.db import models

from fleet.due.models.history import ServiceDone
from fleet.due.models.schedule import Limit, Service
from fleet.duty.models import DutyClass
from fleet.vehicles.models import Depot, Vehicle


class BindingLimit(models.TextChoices):
    KM = "km"
    HOURS = "hours"
    CALENDAR = "calendar"
    NONE = "none"


class DueDate(models.Model):
    """When a service of a vehicle falls due. The state in words depends on today and is decided
    on reading (fleet.due.states); everything here changes only when an input does."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="due_dates", db_index=False)
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
    calendar_life = models.FloatField(null=True)  # used by the calendar on the day below
    calendar_life_on = models.DateField(null=True)  # since when the class now in force counts
    calendar_life_per_d = models.FloatField(null=True)  # used with each day since
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
            models.Index(  # the Due page, by depot, soonest first, paged by key; what else the
                # state depends on stands behind, so that states are counted without the rows
                fields=[
                    *("depot", "sort_on", "vehicle", "service"),
                    *("history_known", "beyond_by_reading", "calendar_on"),
                ],
                name="due_at_depot",
            ),
            models.Index(fields=["sort_on", "vehicle", "service"], name="due_by_day"),  # all depots
            models.Index(fields=["depot", "p10"], name="due_soon"),  # what the night drafts
            models.Index(  # how many services have no history
                fields=["depot"], name="due_unknown", condition=models.Q(history_known=False)
            ),
            models.Index(  # how many are overdue: those that a reading says
                fields=["depot", "sort_on", "vehicle"],
                name="due_passed_by_reading",
                condition=models.Q(history_known=True, beyond_by_reading=True),
            ),
            models.Index(  # and those that the calendar alone says
                fields=["depot", "calendar_on", "vehicle"],
                name="due_passed_by_calendar",
                condition=models.Q(
                    history_known=True, beyond_by_reading=False, calendar_on__isnull=False
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle_id}/{self.service_id} {self.sort_on}"


class DueStamp(models.Model):
    """What a vehicle's due dates rest on. The night compares these few numbers per vehicle
    inside the database and looks closer only where one differs."""

    vehicle = models.OneToOneField(Vehicle, models.CASCADE, primary_key=True, related_name="+")
    rules = models.BigIntegerField()  # services, limits, clock, widening and method of its type
    particulars = models.BigIntegerField()  # of the vehicle itself
    usage_km = models.BigIntegerField()
    usage_h = models.BigIntegerField()
    duty = models.BigIntegerField()
    done = models.BigIntegerField()
    fills = models.BigIntegerField()
    calls = models.BigIntegerField(default=0)
    read_s = models.BigIntegerField(default=0)  # instants of the newest accepted readings
    season = models.BigIntegerField(default=0)  # by which seasons usage was followed
    dates = models.BigIntegerField(default=0)  # of all of them, as they were written

    def __str__(self) -> str:
        return f"due stamp of {self.vehicle_id}"
