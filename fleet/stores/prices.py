"""What a millilitre or a piece costs: as last paid at the depot, else as the pack is listed."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.db.models import CharField, Exists, OuterRef, QuerySet, Subquery, Value
from django.db.models.functions import Cast, Concat

from fleet.calc.packs import share_of_price
from fleet.stores.models import Item, Pack, StockMove

TAKEN_BACK = "taken back:"  # and the id of the move: key of the move that undoes it


@dataclass(frozen=True)
class UnitPrice:
    """So much money for so many millilitres or pieces."""

    price_minor: int
    quantity: int

    def of(self, quantity: int) -> int:
        """What a quantity costs, with its sign [minor units]."""
        return share_of_price(quantity, self.price_minor, self.quantity)


def unit_prices(depot_id: int, item_ids: Collection[int]) -> dict[int, UnitPrice]:
    """The price of each item at a depot; items whose price nobody knows are left out."""
    listed = _listed(item_ids)
    return listed | _paid(depot_id, item_ids)


def _paid(depot_id: int, item_ids: Collection[int]) -> dict[int, UnitPrice]:
    """What the newest receipt with a price cost."""
    priced = standing(
        StockMove.objects.filter(
            depot=depot_id, item=OuterRef("pk"), kind=StockMove.Kind.RECEIVED, quantity__gt=0
        )
    ).exclude(price_minor=None)
    newest = priced.order_by("-at", "-id").values("pk")[:1]
    moves = Item.objects.filter(pk__in=item_ids).values_list(Subquery(newest), flat=True)
    rows = StockMove.objects.filter(pk__in=[move for move in moves if move is not None])
    return {row.item_id: UnitPrice(row.price_minor or 0, row.quantity) for row in rows}


def standing(moves: QuerySet[StockMove]) -> QuerySet[StockMove]:
    """Those that nobody took back, and without what took others back."""
    back_key = Concat(Value(TAKEN_BACK), Cast(OuterRef("pk"), CharField()))
    kept = moves.filter(~Exists(StockMove.objects.filter(key=back_key)))
    return kept.exclude(key__startswith=TAKEN_BACK)


def _listed(item_ids: Collection[int]) -> dict[int, UnitPrice]:
    """What the preferred pack costs, else the largest one that has a price."""
    rows = Pack.objects.filter(item__in=item_ids).exclude(price_minor=None)
    found: Mapping[int, Pack] = {
        pack.item_id: pack for pack in rows.order_by("preferred", "quantity")
    }
    return {
        item_id: UnitPrice(pack.price_minor or 0, pack.quantity) for item_id, pack in found.items()
    }
