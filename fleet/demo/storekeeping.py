"""Stock of the demo: what each depot took in when it opened its bays, counted, wrote off, and
ordered as the program proposed. Rows stand in ``fixtures/stock-moves.csv`` and ``arrivals.csv``;
each is made once, under a key.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from fleet.consumables.models import OrderProposal
from fleet.demo.clock import Clock
from fleet.demo.drive import SEED
from fleet.demo.fixtures import Line, lines
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores import ledger, ordering
from fleet.stores.levels import levels
from fleet.stores.models import Arrival, Item, Stock
from fleet.stores.money import to_minor
from fleet.vehicles.models import Depot
from fleet.workorders.models import LabourRate

AT = time(8, 0)
BEFORE_OPENING_D = 4
FRESH_SHARE = 0.9  # of its shelf life is left when an item comes
OLD_SOON_D = 31  # until stores look again
COUNTED = 3  # items of a depot that are counted each month
MISCOUNT = 0.01  # share by which the shelf differs from the ledger, now and then
NEVER_COUNTED = "lint-free-cloth"  # nobody takes its receipts down: one item needs a count
Act = Callable[[], None]


class Storekeeping:
    """What stores do, as events on their days."""

    def __init__(self, opened: Mapping[str, date], now: datetime, today: date) -> None:
        self.opened, self.now, self.today = opened, now, today
        self.depots = {depot.slug: depot for depot in Depot.objects.all()}
        self.items = {item.slug: item for item in Item.objects.all()}
        self.keeper = Person.objects.filter(role="stores").earliest("id")
        self.coming: list[tuple[Arrival, int]] = []  # with what it costs

    def events(self, first: date, until: date, clock: Clock) -> Iterator[tuple[date, Act]]:
        """Moves of a month."""
        for number, line in enumerate(lines("stock-moves", self.today)):
            on = self._day(line)
            if first <= on < until:
                yield on, partial(self._move, line, on, number)
        for arrival, price_minor in self.coming:
            if first <= arrival.due_on < until:
                yield arrival.due_on, partial(self._take_in, arrival, price_minor, clock)
        for slug, on in self.opened.items():
            day = min(until - timedelta(days=3), self.today)
            if on + timedelta(days=20) < day:
                yield day, partial(self._look, self.depots[slug], day, clock)

    def order(self, depot_ids: Sequence[int], on: date, now: datetime) -> None:
        """Order what the program proposes."""
        rows = OrderProposal.objects.filter(depot__in=depot_ids).select_related("depot", "item")
        shelves = {(row.depot_id, row.item_id): row for row in Stock.objects.all()}
        for row in rows.exclude(item__slug=NEVER_COUNTED).select_related("pack"):
            shelf = shelves[row.depot_id, row.item_id]
            price_minor = (row.pack.price_minor or 0) * row.packs if row.pack else 0
            arrival = ordering.expect(
                Actor(self.keeper, "page", now),
                depot=row.depot,
                item=row.item,
                quantity=row.quantity,
                ordered_on=on - timedelta(days=1),
                due_on=on + timedelta(days=shelf.lead_time_d),
                override_reason="as the program proposes",
            )
            self.coming.append((arrival, price_minor))

    def _day(self, line: Line) -> date:
        if line["On"] == "opening":
            return self.opened[line["Depot"]] - timedelta(days=BEFORE_OPENING_D)
        return date.fromisoformat(line["On"])

    def _actor(self, depot: Depot, on: date, now: datetime) -> Actor:
        at = datetime.combine(on, AT, ZoneInfo(depot.zone))
        return Actor(self.keeper, "page", now, performed_at=min(at, now))

    def _move(self, line: Line, on: date, number: int) -> None:
        depot, item = self.depots[line["Depot"]], self.items[line["Item"]]
        actor = self._actor(depot, on, self.now)
        place: dict[str, Any] = {
            "depot": depot,
            "item": item,
            "reason": line["Reason"],
            "key": f"demo:{number}",
        }
        quantity = int(line["Quantity"])
        match line["Kind"]:
            case "received":
                price_minor = to_minor(float(line["Price"]))
                ledger.receive(
                    actor,
                    ledger.Receipt(
                        **place,
                        quantity=quantity,
                        price_minor=price_minor,
                        batch=line["Batch"],
                        best_before=_best_before(item, on),
                    ),
                )
            case "counted":
                ledger.count(actor, **place, counted=quantity)
            case _:
                ledger.write_off(actor, ledger.TakenOff(**place, quantity=quantity))

    def _take_in(self, arrival: Arrival, price_minor: int, clock: Clock) -> None:
        ledger.receive(
            self._actor(arrival.depot, arrival.due_on, clock.now),
            ledger.Receipt(
                depot=arrival.depot,
                item=arrival.item,
                quantity=arrival.quantity,
                price_minor=price_minor or None,
                batch=f"D-{arrival.due_on:%y%m}-{arrival.item_id}"
                if arrival.item.shelf_life_d
                else "",
                best_before=_best_before(arrival.item, arrival.due_on),
                arrival=arrival,
                override_reason="as on the delivery note",
                key=f"demo:arrival:{arrival.depot.slug}:{arrival.item.slug}:{arrival.due_on}",
            ),
        )

    def _look(self, depot: Depot, on: date, clock: Clock) -> None:
        """Once a month: what is too old goes, a few items are counted."""
        now = clock.now
        for level in levels([depot.pk], now + timedelta(days=OLD_SOON_D)):
            if level.too_old:
                ledger.write_off(
                    self._actor(depot, on, now),
                    ledger.TakenOff(
                        depot=depot,
                        item=self.items[level.item],
                        quantity=level.too_old,
                        reason="past its best before, or nearly; invented",
                        key=f"demo:old:{depot.slug}:{level.item}:{on}",
                    ),
                )
        self._count(depot, on, now)

    def _count(self, depot: Depot, on: date, now: datetime) -> None:
        """A few items each month; now and then the shelf differs a little from the ledger."""
        rng = np.random.default_rng([SEED, depot.pk, on.toordinal()])
        held = Stock.objects.filter(depot=depot, on_hand__gt=0).exclude(item__slug=NEVER_COUNTED)
        rows = list(held.select_related("item").order_by("item__slug"))
        for at in sorted(rng.choice(len(rows), min(COUNTED, len(rows)), replace=False).tolist()):
            row = rows[at]
            missing = int(row.on_hand * MISCOUNT * rng.uniform()) * bool(rng.uniform() < 0.5)
            ledger.count(
                self._actor(depot, on, now),
                depot=depot,
                item=row.item,
                counted=row.on_hand - missing,
                reason="monthly count, invented",
                key=f"demo:count:{depot.slug}:{row.item.slug}:{on}",
            )


def _best_before(item: Item, on: date) -> date | None:
    if not item.shelf_life_d:
        return None
    return on + timedelta(days=int(FRESH_SHARE * item.shelf_life_d))


def settle_rates(today: date) -> None:
    """What an hour of each depot's mechanics costs."""
    depots = {depot.slug: depot for depot in Depot.objects.all()}
    for line in lines("labour-rates", today):
        rate = {
            "rate_minor_per_h": to_minor(float(line["Rate per hour"])),
            "source": line["Source"],
        }
        LabourRate.objects.get_or_create(depot=depots[line["Depot"]], defaults=rate)


def expect_arrivals(today: date) -> None:
    """What is on its way today."""
    depots = {depot.slug: depot for depot in Depot.objects.all()}
    items = {item.slug: item for item in Item.objects.all()}
    for line in lines("arrivals", today):
        Arrival.objects.get_or_create(
            depot=depots[line["Depot"]],
            item=items[line["Item"]],
            quantity=int(line["Quantity"]),
            ordered_on=date.fromisoformat(line["Ordered on"]),
            due_on=date.fromisoformat(line["Due on"]),
        )
