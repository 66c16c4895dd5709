from django.db import models

from fleet.vehicles.models import Meter, Vehicle


class UsageState(models.Model):
    """The usage filter of one meter. Times in days since 1970-01-01 UTC; distances in km (or h)."""

    meter = models.OneToOneField(Meter, models.CASCADE, primary_key=True, related_name="usage")
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="usage_states")
    rate_km_per_day = models.FloatField()  # class rate the state started with
    spread = models.FloatField()
    mu = models.FloatField()
    u = models.FloatField()
    p11 = models.FloatField()
    p12 = models.FloatField()
    p22 = models.FloatField()
    sw = models.FloatField()
    se = models.FloatField()
    first_at_d = models.FloatField()
    filtered_at_d = models.FloatField()
    filtered_km = models.FloatField()
    last_at_d = models.FloatField()
    last_km = models.FloatField()
    sum_d = models.FloatField()
    sum_km = models.FloatField()
    readings = models.PositiveIntegerField()
    provisional = models.BooleanField(default=False)
    stamp = models.BigIntegerField()  # hash of the row: changes exactly when the state does

    def __str__(self) -> str:
        return f"usage of meter {self.meter_id}"


class ClassRate(models.Model):
    """Usual distance per day of a class, as known at a month end; never changed afterwards."""

    kind = models.CharField(max_length=5, choices=Meter.Kind)
    class_key = models.CharField(max_length=40)  # "type 3, depot 2", "type 3" or "fleet"
    month_end_on = models.DateField()
    rate_km_per_day = models.FloatField()
    spread = models.FloatField()
    vehicles = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "class_key", "month_end_on"], name="one_rate_per_class_and_month"
            )
        ]

    def __str__(self) -> str:
        return f"{self.class_key} {self.month_end_on}"


class SeasonIndex(models.Model):
    """Share of usage by calendar month for a class; used only when it passed its gate."""

    class_key = models.CharField(max_length=40)
    month_end_on = models.DateField()
    passed = models.BooleanField()
    factors = models.JSONField()  # twelve, January first, mean 1
    correlation = models.FloatField(null=True)  # between odd and even years
    vehicles = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["class_key", "month_end_on"], name="one_season_per_class_and_month"
            )
        ]

    def __str__(self) -> str:
        return f"season of {self.class_key} {self.month_end_on}"


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
