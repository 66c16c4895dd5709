"""Whether the bands held: first forecasts of months that are over, against what was used."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import Min, Q, Sum
from django.db.models.functions import TruncMonth
from scipy.special import bdtrc

from fleet.consumables.models import FirstForecast
from fleet.reads import Read, reader
from fleet.stores.models import StockMove

CHANCE = 0.05  # so seldom, were the bands right; our choice
USED = Q(kind=StockMove.Kind.USED) | Q(kind=StockMove.Kind.WRITTEN_OFF) & ~Q(order_number="")


@dataclass(frozen=True)
class Coverage:
    """How often the use of a month stayed below its forecast's quantiles."""

    months: int  # different ones
    cells: int  # depot, item and month
    p80: float | None  # share; a good forecast is near .80
    p95: float | None
    beyond: int = 0  # cells in which more was used than suffices in 95 of 100 cases

    @property
    def narrow(self) -> bool:
        """Whether that is more often than chance has it."""
        return bool(self.beyond and bdtrc(self.beyond - 1, self.cells, 0.05) < CHANCE)


@reader
def coverage(depot_ids: Collection[int], today: date) -> Read[Coverage]:
    """Compare the forecasts made a month ahead with the ledger.

    Where a use equals the quantile, it counts as covered with the probability that makes a true
    forecast reach just 80 or 95 % (randomised, with a fixed seed), as rare items need.
    """
    over = FirstForecast.objects.filter(depot__in=depot_ids, month_on__lt=today.replace(day=1))
    first = over.order_by("pk")
    yield [first]
    rows = [row for row in first if _months(row.month_on) - _months(row.made_in) == 1]
    since = (yield from _since(depot_ids)) if rows else {}
    rows = [row for row in rows if since.get((row.depot_id, row.item_id), today) < row.month_on]
    if not rows:
        return Coverage(0, 0, None, None)
    used = yield from _used(depot_ids)
    share = np.random.default_rng(20_531).random(len(rows))
    uses = [used.get((row.depot_id, row.item_id, row.month_on), 0) for row in rows]
    in_80, in_95 = (
        [_covered(*one, name, level) for one in zip(rows, uses, share, strict=True)]
        for name, level in (("p80", 0.8), ("p95", 0.95))
    )
    months, beyond = len({row.month_on for row in rows}), len(rows) - sum(in_95)
    return Coverage(months, len(rows), float(np.mean(in_80)), float(np.mean(in_95)), beyond)


def _months(on: date) -> int:
    return on.year * 12 + on.month


def _covered(row: FirstForecast, used: int, share: float, name: str, level: float) -> bool:
    quantile = getattr(row, name)
    if used != quantile:
        return bool(used < quantile)
    at = getattr(row, f"{name}_at")
    return bool(at > 0 and share < (level - getattr(row, f"{name}_below")) / at)


def _since(depot_ids: Collection[int]) -> Read[dict[tuple[int, int], date]]:
    """The day from which the ledger of an item at a depot can be believed."""
    rows = StockMove.objects.filter(depot__in=depot_ids).order_by()
    found = rows.values_list("depot_id", "item_id").annotate(first=Min("at"))
    yield [found]
    return {(depot_id, item_id): first.date() for depot_id, item_id, first in found}


def _used(depot_ids: Collection[int]) -> Read[dict[tuple[int, int, date], int]]:
    rows = StockMove.objects.filter(USED, depot__in=depot_ids).order_by()
    found = (
        rows.annotate(month=TruncMonth("at"))
        .values_list("depot_id", "item_id", "month")
        .annotate(moved=Sum("quantity"))
    )
    yield [found]
    return {(depot, item, month.date()): -moved for depot, item, month, moved in found}
