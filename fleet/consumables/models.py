"""Rows of the forecast of what will be used, and of how well it held."""

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from fleet.stores.models import Item, Pack
from fleet.vehicles.models import Depot, VehicleType


class Forecast(models.Model):
    """What a depot will use of an item in a month, from the day it was computed on."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+", db_index=False)
    item = models.ForeignKey(Item, models.CASCADE, related_name="+")
    month_on = models.DateField()  # first day
    mean = models.FloatField()  # mL or pieces, as the item's unit says
    p50 = models.BigIntegerField()
    p80 = models.BigIntegerField()
    p95 = models.BigIntegerField()

    class Meta:
        abstract = True


class MonthlyDemand(Forecast):
    """The newest forecast, the present month from today on."""

    class Meta:
        ordering = ["depot", "item", "month_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "item", "month_on"], name="one_demand_per_depot_item_and_month"
            )
        ]

    def __str__(self) -> str:
        return f"{self.item} in {self.month_on:%B %Y}: {self.mean:.1f}"


class FirstForecast(Forecast):
    """The first forecast of a month that was made in some month. It stays as it was made, so that
    what was used can be held against it."""

    made_on = models.DateField()
    made_in = models.DateField()  # first day of the month it was made in
    p80_below = models.FloatField()  # probability of less than p80
    p80_at = models.FloatField()  # of exactly p80
    p95_below = models.FloatField()
    p95_at = models.FloatField()

    class Meta:
        ordering = ["depot", "item", "month_on", "made_in"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "item", "month_on", "made_in"],
                name="one_first_forecast_per_depot_item_month_and_origin",
            )
        ]

    def __str__(self) -> str:
        return f"{self.item} in {self.month_on:%B %Y}, as of {self.made_on}"


class OrderProposal(models.Model):
    """What to order now, so that the stock lasts until the order after next is here."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="order_proposals", db_index=False)
    item = models.ForeignKey(Item, models.CASCADE, related_name="order_proposals")
    pack = models.ForeignKey(Pack, models.SET_NULL, null=True, related_name="+")
    packs = models.PositiveBigIntegerField()
    quantity = models.PositiveBigIntegerField()  # mL or pieces
    needed = models.BigIntegerField()  # quantile over lead time and review period
    on_hand = models.BigIntegerField()
    usable = models.BigIntegerField(default=0)  # of it, before it is too old
    on_order = models.BigIntegerField()
    transferred = models.BigIntegerField(default=0)  # what other depots are proposed to give
    order_by_on = models.DateField()
    capped_by_shelf_life = models.BooleanField(default=False)

    class Meta:
        ordering = ["depot", "order_by_on", "item"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "item"], name="one_order_proposal_per_depot_and_item"
            )
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.item.unit} of {self.item}"


class TransferProposal(models.Model):
    """What another depot has beyond its own need, and should give before any is ordered."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+", db_index=False)  # it goes to
    from_depot = models.ForeignKey(Depot, models.CASCADE, related_name="+")
    item = models.ForeignKey(Item, models.CASCADE, related_name="+")
    quantity = models.PositiveBigIntegerField()  # mL or pieces
    needed = models.BigIntegerField()  # quantile over lead time and review period
    usable = models.BigIntegerField()  # at the depot it goes to, before it is too old
    on_order = models.BigIntegerField()
    order_by_on = models.DateField()

    class Meta:
        ordering = ["depot", "order_by_on", "item"]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "item", "from_depot"],
                name="one_transfer_proposal_per_depots_and_item",
            )
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.item.unit} of {self.item} from {self.from_depot}"


class StockNeed(models.Model):
    """What the last night found that a shelf must hold; proposals follow from it and the stock."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+", db_index=False)
    item = models.ForeignKey(Item, models.CASCADE, related_name="+")
    needed = models.BigIntegerField()  # quantile over lead time and review period
    needed_first = models.BigIntegerField()  # quantile over the lead time alone
    mean = models.FloatField(null=True)  # expected over lead time and review period, day by day
    mean_first = models.FloatField(null=True)  # over the lead time alone
    whole_d = models.PositiveIntegerField(default=0)  # of both, as the night found them
    first_d = models.PositiveIntegerField(default=0)
    used_while_fresh = models.BigIntegerField(
        null=True
    )  # mean use while a delivery keeps; empty: it keeps for ever

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["depot", "item"], name="one_need_per_depot_and_item")
        ]

    def __str__(self) -> str:
        return f"{self.item} at {self.depot}: {self.needed}"


class ForecastDay(models.Model):
    """The day that a depot's forecast was last brought up to."""

    depot = models.OneToOneField(Depot, models.CASCADE, related_name="+")
    on = models.DateField()

    def __str__(self) -> str:
        return f"{self.depot}, {self.on}"


class ClassMonth(models.Model):
    """How far the vehicles of a class were expected to drive in a month, for learning how much
    they share. Never changed."""

    vehicle_type = models.ForeignKey(VehicleType, models.CASCADE, related_name="+")
    depot = models.ForeignKey(Depot, models.CASCADE, related_name="+", db_index=False)
    month_on = models.DateField()
    vehicles = models.PositiveIntegerField()
    mean_km = models.FloatField()  # of all of them together
    var_km2 = models.FloatField()  # as if they were independent

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "vehicle_type", "month_on"],
                name="one_class_month_per_depot_type_and_month",
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle_type} at {self.depot}, {self.month_on:%B %Y}"


class PerKmUse(models.Model):
    """What a type of vehicle uses up as it drives, such as exhaust fluid."""

    vehicle_type = models.ForeignKey(VehicleType, models.CASCADE, related_name="per_km_uses")
    item = models.ForeignKey(Item, models.CASCADE, related_name="per_km_uses")
    ml_per_1000_km = models.FloatField()  # until top-ups of the item say otherwise
    source = models.CharField(max_length=300)

    history = HistoricalRecords()

    class Meta:
        ordering = ["vehicle_type", "item"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_type", "item"], name="one_per_km_use_per_type_and_item"
            ),
            models.CheckConstraint(condition=~Q(source=""), name="a_per_km_use_has_a_source"),
        ]

    def __str__(self) -> str:
        return f"{self.item}, {self.vehicle_type}: {self.ml_per_1000_km:g} mL per 1,000 km"
