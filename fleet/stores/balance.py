"""Whether what is on hand is what the ledger and the lots say."""

from collections.abc import Iterator

from django.db.models import Sum

from fleet.stores.lots import lots_of
from fleet.stores.models import Stock, StockMove


def unbalanced() -> Iterator[str]:
    """Shelves whose moves, or lots, do not add up to what is on hand: a sentence for each."""
    rows = Stock.objects.select_related("depot", "item").order_by("depot__slug", "item__slug")
    sums = StockMove.objects.order_by().values_list("depot", "item").annotate(Sum("quantity"))
    moved = {(depot, item): total for depot, item, total in sums}
    shelves = {(row.depot_id, row.item_id): row for row in rows}
    lots = lots_of({shelf: row.on_hand for shelf, row in shelves.items()}, every_item=True)
    for shelf, row in shelves.items():
        by_moves, by_lots = moved.pop(shelf, 0), sum(lot.left for lot in lots[shelf])
        for told, total in (("moves", by_moves), ("lots", by_lots)):
            if total != row.on_hand:
                unit = row.item.unit
                yield (
                    f"{row.depot.slug}, {row.item.slug}: {row.on_hand:,} {unit} on hand, its "
                    f"{told} add up to {total:,} {unit}."
                )
    for depot, item in moved:
        yield f"Depot {depot}, item {item}: there are moves and nothing says what is on hand."
