"""Stock that is past its best before: it counts as usable no more, and still stands there."""

from collections.abc import Iterator
from datetime import datetime

from fleet.stores.levels import levels
from fleet.vehicles.models import Depot


def still_on_shelf(now: datetime) -> Iterator[str]:
    """What is on hand and must not be used any more: a sentence for each."""
    for level in levels(Depot.objects.values_list("pk", flat=True), now):
        if level.too_old:
            yield (
                f"{level.depot}, {level.item}: {level.too_old:,} {level.unit} of "
                f"{level.on_hand:,} on hand are past their best before (the oldest "
                f"{level.best_before}); they are not counted as usable: write them off."
            )
