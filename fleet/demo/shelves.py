"""Stock of the demo: what was received and counted before its orders, and what happened since.

Rows stand in ``fixtures/stock-moves.csv`` and ``arrivals.csv``. Each is made once, under a key.
"""

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fleet.demo.fixtures import Line, lines
from fleet.people.actor import Actor
from fleet.people.models import Person
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff
from fleet.stores.models import Arrival, Item
from fleet.stores.money import to_minor
from fleet.vehicles.models import Depot
from fleet.workorders.models import LabourRate

AT = time(8, 0)
BEFORE_D = 40  # the orders of the demo are younger


def fill_shelves(now: datetime, today: date) -> None:
    """What was there before the first order."""
    _move(now, today, lambda on: on <= today - timedelta(days=BEFORE_D))


def go_on(now: datetime, today: date) -> None:
    """What happened beside the orders, and what is on its way."""
    _move(now, today, lambda on: on > today - timedelta(days=BEFORE_D))
    depots, items = _depots(), _items()
    for line in lines("labour-rates", today):
        rate = {
            "rate_minor_per_h": to_minor(float(line["Rate per hour"])),
            "source": line["Source"],
        }
        LabourRate.objects.get_or_create(depot=depots[line["Depot"]], defaults=rate)
    for line in lines("arrivals", today):
        Arrival.objects.get_or_create(
            depot=depots[line["Depot"]],
            item=items[line["Item"]],
            quantity=int(line["Quantity"]),
            ordered_on=date.fromisoformat(line["Ordered on"]),
            due_on=date.fromisoformat(line["Due on"]),
        )


def _move(now: datetime, today: date, wanted: Any) -> None:
    depots, items = _depots(), _items()
    keeper = Person.objects.filter(role="stores").earliest("id")
    for number, line in enumerate(lines("stock-moves", today)):
        on = date.fromisoformat(line["On"])
        if not wanted(on):
            continue
        depot = depots[line["Depot"]]
        at = datetime.combine(on, AT, ZoneInfo(depot.zone))
        actor = Actor(keeper, "page", now, performed_at=min(at, now))
        _one(actor, line, depot, items[line["Item"]], f"demo:{number}")


def _one(actor: Actor, line: Line, depot: Depot, item: Item, key: str) -> None:
    place: dict[str, Any] = {"depot": depot, "item": item, "reason": line["Reason"], "key": key}
    quantity = int(line["Quantity"])
    match line["Kind"]:
        case "received":
            ledger.receive(
                actor,
                Receipt(
                    **place,
                    quantity=quantity,
                    price_minor=to_minor(float(line["Price"])),
                    batch=line["Batch"],
                    best_before=date.fromisoformat(line["Best before"])
                    if line["Best before"]
                    else None,
                ),
            )
        case "counted":
            ledger.count(actor, **place, counted=quantity)
        case _:
            ledger.write_off(actor, TakenOff(**place, quantity=quantity))


def _depots() -> dict[str, Depot]:
    return {depot.slug: depot for depot in Depot.objects.all()}


def _items() -> dict[str, Item]:
    return {item.slug: item for item in Item.objects.all()}
