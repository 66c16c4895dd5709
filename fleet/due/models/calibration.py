"""How often such dates came true."""

from django.core.validators import MinValueValidator
from django.db import models


class GuardFactor(models.Model):
    """How far the bands of distance and hours are widened since a month end. Only ever added:
    the newest row is in force. It may lie below the one before, and never below 1."""

    month_end_on = models.DateField(unique=True)
    factor = models.FloatField(validators=[MinValueValidator(1)])  # on the log-spread about p50
    outcomes = models.PositiveIntegerField()  # forecasts whose outcome was counted
    inside_share = models.FloatField()  # of outcomes, in p10 … p90 as the model has them
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
