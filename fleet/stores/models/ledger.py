"""Stock per depot, and the ledger it is the sum of. Moves are only added, in ``ledger`` only."""

from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from fleet.faults import Refused
from fleet.stores.models.items import Item
from fleet.vehicles.models import Depot


class Stock(models.Model):
    """An item at a depot: how much the ledger says is there, and how it is ordered."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="stock", db_index=False)
    item = models.ForeignKey(Item, models.PROTECT, related_name="stock")
    on_hand = models.BigIntegerField(default=0)  # mL or pieces; below zero: count it
    lead_time_d = models.PositiveSmallIntegerField(default=7)  # our choice
    review_period_d = models.PositiveSmallIntegerField(
        default=30, validators=[MinValueValidator(1)]
    )  # stores order once a month
    service_level = models.FloatField(
        default=0.95, validators=[MinValueValidator(0.5), MaxValueValidator(0.999)]
    )  # our choice
    supplier = models.CharField(max_length=120, blank=True)
    shelf_place = models.CharField(max_length=40, blank=True)  # where it stands at the depot

    class Meta:
        ordering = ["depot", "item"]
        verbose_name_plural = "stock"
        constraints = [
            models.UniqueConstraint(fields=["depot", "item"], name="one_stock_per_depot_and_item"),
            models.CheckConstraint(
                condition=Q(service_level__gte=0.5, service_level__lte=0.999),
                name="a_service_level_lies_between_a_half_and_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item} at {self.depot}"


class Arrival(models.Model):
    """What is on order, and when it should be here."""

    depot = models.ForeignKey(Depot, models.CASCADE, related_name="arrivals")
    item = models.ForeignKey(Item, models.PROTECT, related_name="arrivals")
    quantity = models.PositiveBigIntegerField()
    ordered_on = models.DateField()
    due_on = models.DateField()
    received_on = models.DateField(null=True, blank=True)
    received_by = models.ForeignKey(
        "StockMove", models.PROTECT, null=True, blank=True, related_name="+"
    )  # which opens it again where it is taken back
    reason = models.CharField(max_length=300, blank=True)  # why it stands, where it was doubtful

    class Meta:
        ordering = ["due_on", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="an_arrival_brings_something"),
            models.CheckConstraint(
                condition=Q(due_on__gte=models.F("ordered_on")),
                name="an_arrival_is_due_after_it_was_ordered",
            ),
        ]
        indexes = [
            models.Index(  # what is still on order, by item
                fields=["depot", "item"],
                name="arrivals_on_order",
                condition=Q(received_on__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.item.unit} of {self.item} for {self.depot}"


STAYS = "A row of the ledger stays as it is: add one that puts it right."


class KeptRows(models.QuerySet["Any"]):
    """Rows that no statement changes or takes away either."""

    def update(self, **changes: Any) -> int:
        raise Refused(STAYS)

    def delete(self) -> tuple[int, dict[str, int]]:
        raise Refused(STAYS)


class Kept(models.Model):
    """A row that is added once and then stays as it is."""

    key = models.CharField(max_length=100, unique=True, null=True, blank=True)  # the sender's own
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )  # empty: the program
    channel = models.CharField(max_length=12)
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = KeptRows.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise Refused(STAYS)
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise Refused(STAYS)


class StockMove(Kept):
    """Something came, went or was counted. The sum of the moves is what is on hand."""

    class Kind(models.TextChoices):
        RECEIVED = "received"
        USED = "used"
        COUNTED = "counted"
        WRITTEN_OFF = "written off"
        TRANSFERRED_IN = "transferred in"
        TRANSFERRED_OUT = "transferred out"

    depot = models.ForeignKey(Depot, models.PROTECT, related_name="moves", db_index=False)
    item = models.ForeignKey(Item, models.PROTECT, related_name="moves")
    kind = models.CharField(max_length=16, choices=Kind)
    quantity = models.BigIntegerField()  # what came is positive, what went negative
    at = models.DateTimeField()
    reason = models.CharField(max_length=300, blank=True)
    price_minor = models.BigIntegerField(null=True, blank=True)  # net, of all of it, signed alike
    batch = models.CharField(max_length=60, blank=True)
    best_before = models.DateField(null=True, blank=True)
    order_number = models.CharField(max_length=20, blank=True)  # of the work order
    other_depot = models.ForeignKey(
        Depot, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )  # of a transfer

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(quantity=0) | Q(kind="counted"),
                name="a_move_moves_something_unless_it_is_a_count",
            )
        ]
        indexes = [
            models.Index(fields=["depot", "item", "at"], name="moves_by_depot_and_item"),
            models.Index(  # what an order used, to put it right
                fields=["order_number"], name="moves_by_order", condition=~Q(order_number="")
            ),
            models.Index(fields=["depot", "-id"], name="moves_newest_by_depot"),
        ]

    def __str__(self) -> str:
        return f"{self.item} {self.kind}: {self.quantity:+} {self.item.unit}"


class UsedFluidCollected(Kept):
    """Used fluid that a waste collector took away, by the number of the consignment note."""

    depot = models.ForeignKey(Depot, models.PROTECT, related_name="used_fluid_collected")
    waste_class = models.CharField(max_length=60)
    quantity_ml = models.BigIntegerField()  # negative: takes a wrong entry back
    tank = models.CharField(max_length=60, blank=True)
    carrier = models.CharField(max_length=120)
    note_number = models.CharField(max_length=60)
    collected_on = models.DateField()
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-collected_on", "-id"]
        verbose_name_plural = "used fluid collected"
        constraints = [
            models.CheckConstraint(
                condition=~Q(quantity_ml=0), name="a_collection_takes_something_away"
            )
        ]

    def __str__(self) -> str:
        return f"{self.waste_class} from {self.depot}, {self.collected_on}"
