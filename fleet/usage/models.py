from django.db import models

from fleet.vehicles.models import Meter, Vehicle


class Filtered(models.Model):
    """The usage filter of one meter after an accepted reading."""

    rate_km_per_day = models.FloatField()  # class rate the state started with
    spread = models.FloatField()
    mu = models.FloatField()
    u = models.FloatField()
    p11 = models.FloatField()
    p12 = models.FloatField()
    p22 = models.FloatField()
    sw = models.FloatField()
    se = models.FloatField()
    idle_d = models.FloatField(default=0)  # days it has been standing, 0 for a running one
    first_at_d = models.FloatField()
    filtered_at_d = models.FloatField()
    filtered_km = models.FloatField()
    last_at_d = models.FloatField()
    last_km = models.FloatField()
    sum_d = models.FloatField()
    sum_km = models.FloatField()
    readings = models.PositiveIntegerField()
    version = models.PositiveIntegerField()  # of the verdicts it was made from

    class Meta:
        abstract = True


class UsageState(Filtered):
    """The usage filter of one meter. Times in days since 1970-01-01 UTC; distances in km (or h)."""

    meter = models.OneToOneField(Meter, models.CASCADE, primary_key=True, related_name="usage")
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="usage_states")
    season = models.ForeignKey(
        "SeasonIndex", models.SET_NULL, null=True, related_name="+", db_index=False
    )
    provisional = models.BooleanField(default=False)
    stamp = models.BigIntegerField()  # hash of the row: changes exactly when the state does

    def __str__(self) -> str:
        return f"usage of meter {self.meter_id}"


class EarlierState(Filtered):
    """The filter as it was at an earlier memory of the judge, of the same version: following the
    readings again begins there. Without these rows it takes longer, and no more."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="+", db_index=False)
    season_pk = models.BigIntegerField(default=-1)  # -1: calendar days

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "last_at_d"], name="one_earlier_state_per_meter_and_instant"
            )
        ]

    def __str__(self) -> str:
        return f"usage of meter {self.meter_id} at {self.last_at_d:.0f}"


class ClassRate(models.Model):
    """Usual distance per day of a class, as known at a month end; never changed afterwards."""

    kind = models.CharField(max_length=5, choices=Meter.Kind)
    type_pk = models.BigIntegerField(default=-1)  # -1: every vehicle type
    depot_pk = models.BigIntegerField(default=-1)  # -1: every depot
    month_end_on = models.DateField()
    rate_km_per_day = models.FloatField()
    spread = models.FloatField()
    vehicles = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "type_pk", "depot_pk", "month_end_on"],
                name="one_rate_per_class_and_month",
            )
        ]

    def __str__(self) -> str:
        return f"type {self.type_pk} depot {self.depot_pk} {self.month_end_on}"


class SeasonIndex(models.Model):
    """Share of usage by calendar month for a class, drawn to 1 as far as its years disagree."""

    type_pk = models.BigIntegerField()
    depot_pk = models.BigIntegerField()
    month_end_on = models.DateField()
    in_force = models.BooleanField()  # the class runs on it now
    took_force = models.BooleanField(default=False)  # it did from this month end until the next
    factors = models.JSONField()  # twelve, January first, mean 1
    weight = models.FloatField(null=True)  # share of what was seen that is believed, 0 to 1
    vehicles = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["type_pk", "depot_pk", "month_end_on"],
                name="one_season_per_class_and_month",
            )
        ]

    def __str__(self) -> str:
        return f"season of type {self.type_pk} depot {self.depot_pk} {self.month_end_on}"


class KmAt(models.Model):
    """Total at the start of a day, interpolated between accepted readings."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="km_at", db_index=False)
    on = models.DateField()
    total = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["meter", "on"], name="one_total_per_meter_and_day")
        ]

    def __str__(self) -> str:
        return f"{self.total:g} on {self.on}"
