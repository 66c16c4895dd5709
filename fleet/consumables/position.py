"""How each item stands at each depot: what is there, what comes, what will be needed of it."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from fleet import reads
from fleet.calc.lots import Lot, usable
from fleet.calc.shelf_path import MeanPath, runs_out
from fleet.consumables.gather import day_number
from fleet.consumables.models import ForecastDay, MonthlyDemand, StockNeed
from fleet.reads import Read, reader
from fleet.stores.lots import Shelf, lots_of
from fleet.stores.models import Arrival, Stock

LATE_D = 7  # an order later than this no longer counts; our choice
NEVER_D = float("inf")
Needed = Sequence[tuple[date, float]]  # mean demand from the forecast's day until each day


@dataclass(frozen=True)
class Position:
    """One item at one depot on a day [mL or pieces]."""

    on: date
    on_hand: int
    lots: Sequence[Lot]  # the oldest first
    coming: Sequence[tuple[date, int]]  # orders that still count, in order of time
    path: MeanPath  # mean demand from that day on
    months: Sequence[tuple[date, float]]  # the forecast that it comes of, by first day of a month

    @property
    def usable(self) -> int:
        """What of the stock will be used before it is too old."""
        return usable(self.lots, self.needed_until)

    @property
    def fit(self) -> int:
        """What is not past its best before."""
        return sum(lot.left for lot in self.lots if not lot.past(self.on))

    def needed_until(self, on: date) -> float:
        """Mean demand to the end of a day."""
        return self.path.before(day_number(on) + 1.0)

    def on_order(self, until: date) -> int:
        """What will have come by a day."""
        return sum(quantity for due_on, quantity in self.coming if due_on <= until)

    def usable_with_orders(self, until: date) -> int:
        return self.usable + self.on_order(until)

    def cumulative(self, month_on: date) -> float:
        """Mean demand of the present month and those after it, with the one that is named."""
        present_on = self.on.replace(day=1)
        return sum(mean for on, mean in self.months if present_on <= on <= month_on)

    def free(self, month_on: date) -> int:
        """What of the stock and of orders is left once the need to a month's end is met."""
        last_on = next_month(month_on) - timedelta(days=1)
        return round(self.usable_with_orders(last_on) - self.cumulative(month_on))

    @property
    def runs_out_on(self) -> date | None:
        """The first day on which the expected demand finds nothing; None beyond the forecast."""
        last_d = [
            NEVER_D if lot.best_before is None else day_number(lot.best_before) + 1.0
            for lot in self.lots
        ]
        coming = [(float(day_number(max(on, self.on))), quantity) for on, quantity in self.coming]
        found = runs_out(self.path, self.lots, last_d, coming)
        return None if found is None else date(1970, 1, 1) + timedelta(days=int(found))


@reader
def positions(
    today: Mapping[int, date], item_ids: Collection[int] | None = None
) -> Read[dict[Shelf, Position]]:
    """Read how items stand at some depots, each on its day; a few queries however many.

    Items that a depot only needs, and does not keep, are there too.
    """
    kept = Stock.objects.filter(depot__in=today)
    needs = MonthlyDemand.objects.filter(depot__in=today)
    found = StockNeed.objects.filter(depot__in=today, mean__isnull=False)
    if item_ids is not None:
        kept, needs = kept.filter(item__in=item_ids), needs.filter(item__in=item_ids)
        found = found.filter(item__in=item_ids)
    needs = needs.order_by("month_on")
    stock, needed, until, coming, made = yield from reads.side_by_side(
        kept.values_list("depot", "item", "on_hand"),
        needs.values_list("depot", "item", "month_on", "mean"),
        found.order_by().values_list("depot", "item", "first_d", "mean_first", "whole_d", "mean"),
        _coming(today),
        forecast_days.steps(today),
    )
    on_hand = {(depot, item): n for depot, item, n in stock}
    means: dict[Shelf, list[tuple[date, float]]] = defaultdict(list)
    for depot, item, month_on, mean in needed:
        means[depot, item].append((month_on, mean))
    for shelf in means:
        on_hand.setdefault(shelf, 0)
    lots = yield from lots_of.steps(on_hand)
    sooner = _sooner(made, until)
    return {
        shelf: Position(
            today[shelf[0]],
            quantity,
            lots[shelf],
            coming[shelf],
            _path(today[shelf[0]], made.get(shelf[0]), means[shelf], sooner.get(shelf, ())),
            means[shelf],
        )
        for shelf, quantity in on_hand.items()
    }


def next_month(month_on: date) -> date:
    """The first day of the month after one that is given by its first day."""
    return (month_on + timedelta(days=31)).replace(day=1)


@reader
def forecast_days(depot_ids: Collection[int]) -> Read[dict[int, date]]:
    """The day that each depot's forecast was brought up to; without one it was never made."""
    found = ForecastDay.objects.filter(depot__in=depot_ids).values_list("depot", "on")
    yield [found]
    return dict(found)


def _coming(today: Mapping[int, date]) -> Read[dict[Shelf, list[tuple[date, int]]]]:
    found: dict[Shelf, list[tuple[date, int]]] = defaultdict(list)
    open_ones = Arrival.objects.filter(depot__in=today, received_on=None).order_by("due_on", "id")
    rows = open_ones.values_list("depot", "item", "due_on", "quantity")
    yield [rows]
    for depot, item, due_on, quantity in rows:
        if due_on >= today[depot] - timedelta(days=LATE_D):
            found[depot, item].append((due_on, quantity))
    return found


def _sooner(made: Mapping[int, date], rows: Iterable[tuple[Any, ...]]) -> dict[Shelf, Needed]:
    """What the forecast counted day by day for orders: within lead times, and until the order
    after the next review."""
    return {
        (depot, item): [
            (made[depot] + timedelta(days=first_d), first),
            (made[depot] + timedelta(days=whole_d), mean),
        ]
        for depot, item, first_d, first, whole_d, mean in rows
        if depot in made
    }


def _path(
    today: date, made_on: date | None, months: Sequence[tuple[date, float]], sooner: Needed
) -> MeanPath:
    """From today on, through the ends of months and the days that orders look until; so what is
    enough until one of those runs out by the same count."""
    start_d = float(day_number(today))
    if not months:
        return MeanPath(start_d, (), ())
    needed = {day_number(max(months[0][0], made_on or months[0][0])): 0.0}
    for month_on, mean in months:
        needed[day_number(next_month(month_on))] = max(needed.values()) + mean
    last_d = max(needed)
    needed |= {day_number(on): mean for on, mean in sooner if day_number(on) < last_d}
    at_d = sorted(needed)
    so_far = np.maximum.accumulate([needed[one] for one in at_d])
    left_d = [float(one) for one in at_d if one > start_d]
    means = np.diff(np.interp([start_d, *left_d], at_d, so_far))
    return MeanPath(start_d, tuple(left_d), tuple(means.tolist()))
