"""A shelf in a few lines: items with their packs, all invented."""

from datetime import date

from fleet.stores.models import Arrival, Item, Pack, Product, Stock
from fleet.vehicles.models import Depot
from tests import scene

INVENTED = "invented for the tests"


def item(slug: str = "gear-oil", *, packs: tuple[int, ...] = (1000,), **given: object) -> Item:
    """A fluid in mL, or whatever is given, with packs of these sizes."""
    fields = {"name": slug.replace("-", " ").capitalize(), "kind": "fluid", "unit": "mL"}
    created = Item.objects.create(slug=slug, source=INVENTED, **(fields | given))
    for quantity in packs:
        Pack.objects.create(item=created, quantity=quantity)
    return created


def product(slug: str = "gear-75w90", grade: str = "75W-90") -> Product:
    return Product.objects.create(slug=slug, name=slug, grade=grade, source=INVENTED)


def stock(kept: Item, at: Depot | None = None, **given: object) -> Stock:
    return Stock.objects.create(item=kept, depot=at or scene.depot(), **given)


def arrival(kept: Item, at: Depot | None = None, **given: object) -> Arrival:
    fields = {"quantity": 1000, "ordered_on": date(2026, 6, 1), "due_on": date(2026, 6, 20)}
    return Arrival.objects.create(item=kept, depot=at or scene.depot(), **(fields | given))
