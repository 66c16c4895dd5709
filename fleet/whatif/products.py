"""Prices of what stores keep."""

from datetime import date

from fleet.stores.models import Item, Pack, StockMove
from fleet.stores.money import to_minor
from fleet.whatif.amounts import Amount, amount, positive
from fleet.whatif.kinds import Act, Kind, RowFault, Touched, World, near

HIGH = 1e9  # what a share leaves of it tells whether it leaves anything


def _items(which: str) -> list[Item]:
    """Items by their own slug or by that of their product."""
    wanted = which.strip().casefold()
    found = Item.objects.filter(slug=wanted) | Item.objects.filter(product__slug=wanted)
    if not found:
        slugs = list(Item.objects.values_list("slug", flat=True))
        raise RowFault("which", f"stores keep no {which!r}; {near(wanted, slugs)}")
    return list(found.distinct())


def _price(which: str, value: str, world: World) -> Act:
    found, change = _items(which), amount(value)
    for item in found:
        positive(change(HIGH), f"the price of {item}")
    packs = Pack.objects.filter(item__in=found)
    is_share = change(0) != change(HIGH)
    if is_share and not packs.exclude(price_minor=None).exists():
        raise RowFault("value", "it has no price to be changed; write the price itself")

    def act(begins: date, touched: Touched) -> None:
        for item in found:
            _set(item, change)

    return act


def _set(item: Item, change: Amount) -> None:
    """Per litre or piece, for packs as listed and for what was paid: the newer goes first."""
    per = 1_000 if item.unit == Item.Unit.ML else 1
    scale = to_minor(1)
    for pack in Pack.objects.filter(item=item):
        now = (pack.price_minor or 0) * per / pack.quantity / scale
        Pack.objects.filter(pk=pack.pk).update(
            price_minor=round(max(change(now), 0) * pack.quantity * scale / per),
            price_source="supposed",
        )
    for move in StockMove.objects.filter(
        item=item, kind=StockMove.Kind.RECEIVED, price_minor__isnull=False, quantity__gt=0
    ):
        now = (move.price_minor or 0) * per / move.quantity / scale
        new = round(max(change(now), 0) * move.quantity * scale / per)
        StockMove._base_manager.filter(pk=move.pk).update(price_minor=new)


KINDS = (
    Kind("product price", "item or product", "per litre or piece, or less or more",
         ("engine-oil-5w-30", "+10 %"), _price),
)  # fmt: skip
