"""What stands on the shelf, and in which packs it is bought."""

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from fleet.stores.models.catalogue import Product


class Item(models.Model):
    """One thing that stores keep: a fluid, a filter, a seal, a one-time fixing."""

    class Kind(models.TextChoices):
        FLUID = "fluid"
        FILTER = "filter"
        SEAL = "seal"
        ONE_TIME_FIXING = "one-time fixing"
        CONSUMABLE = "consumable"
        OTHER = "other"

    class Unit(models.TextChoices):
        ML = "mL"
        PIECES = "pieces"

    class Draw(models.TextChoices):
        WHOLE_PACKS = "whole packs per job"  # what is left of an opened pack is thrown away
        OPENED_KEPT = "opened packs kept"  # for their life after opening
        BULK = "bulk"  # from a drum or tank, to the millilitre

    slug = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=16, choices=Kind)
    unit = models.CharField(max_length=6, choices=Unit)
    product = models.ForeignKey(
        Product, models.PROTECT, null=True, blank=True, related_name="items"
    )  # fluids
    draw = models.CharField(max_length=20, choices=Draw, default=Draw.OPENED_KEPT)
    shelf_life_d = models.PositiveIntegerField(null=True, blank=True)  # sealed
    after_opening_life_d = models.PositiveIntegerField(null=True, blank=True)
    part_number = models.CharField(max_length=80, blank=True)  # the maker's, with its issuer
    waste_class = models.CharField(max_length=60, blank=True)  # once used, e.g. "used oil"
    hygroscopic = models.BooleanField(default=False)  # takes up water from the air
    source = models.CharField(max_length=200)

    history = HistoricalRecords()

    class Meta:
        ordering = ["name", "slug"]
        constraints = [
            models.CheckConstraint(
                condition=Q(hygroscopic=False) | Q(draw="whole packs per job"),
                name="a_hygroscopic_item_is_drawn_in_whole_packs",
                violation_error_message=(
                    "A hygroscopic fluid is drawn in whole packs: a sealed pack for each job."
                ),
            ),
            models.CheckConstraint(
                condition=Q(product__isnull=True) | Q(kind="fluid", unit="mL"),
                name="an_item_of_a_product_is_a_fluid_in_millilitres",
                violation_error_message="Only a fluid, kept in mL, has a product.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Pack(models.Model):
    """A size in which an item is bought, with its price."""

    item = models.ForeignKey(Item, models.CASCADE, related_name="packs")
    quantity = models.PositiveBigIntegerField()  # mL or pieces, as the item's unit says
    price_minor = models.PositiveBigIntegerField(null=True, blank=True)  # net; empty: not known
    price_source = models.CharField(max_length=200, blank=True)
    preferred = models.BooleanField(default=False)  # the one to order, of an item's packs
    why_it_stands = models.CharField(max_length=300, blank=True)  # where size or price was doubted

    history = HistoricalRecords()

    class Meta:
        ordering = ["item", "quantity"]
        constraints = [
            models.UniqueConstraint(
                fields=["item", "quantity"], name="one_pack_per_item_and_quantity"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="a_pack_holds_something",
                violation_error_message="A pack holds more than nothing.",
            ),
            models.CheckConstraint(
                condition=Q(price_minor__isnull=True) | ~Q(price_source=""),
                name="a_price_has_a_source",
                violation_error_message="Say where the price is from.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item}, {self.quantity} {self.item.unit}"
