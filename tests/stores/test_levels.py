from datetime import date, timedelta

import pytest

from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff
from fleet.stores.levels import Level, levels
from fleet.stores.models import Arrival, Item
from tests import scene
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db


def at(days_ago: int) -> Actor:
    return Actor(None, "test", NOW, performed_at=NOW - timedelta(days=days_ago))


def receive(item: Item, quantity: int, best_before: date | None, days_ago: int) -> None:
    ledger.receive(
        at(days_ago),
        Receipt(depot=scene.depot(), item=item, quantity=quantity, best_before=best_before),
    )


def level() -> Level:
    (found,) = levels([scene.depot().pk], NOW)
    return found


def test_what_is_on_order_is_told_with_the_day_it_should_come() -> None:
    oil = shelf.item()
    shelf.stock(oil)
    shelf.arrival(oil, quantity=2000, due_on=date(2026, 6, 20))
    shelf.arrival(oil, quantity=1000, due_on=date(2026, 7, 20))
    shelf.arrival(oil, quantity=500, received_on=date(2026, 6, 2))
    found = level()
    assert (found.on_order, found.arrives_on, found.look) == (3000, date(2026, 6, 20), ())


def test_the_oldest_is_taken_to_be_used_first() -> None:
    oil = shelf.item()
    receive(oil, 1000, date(2026, 6, 1), 90)
    receive(oil, 2000, date(2027, 6, 1), 30)
    assert level().too_old == 1000
    ledger.use(at(0), TakenOff(depot=scene.depot(), item=oil, quantity=600, reason="topped up"))
    # by hand: 2,400 left, of which the newer receipt is 2,000
    found = level()
    assert (found.too_old, found.best_before) == (400, date(2026, 6, 1))
    assert found.look == ("past its best before: check and write off",)
    ledger.use(at(0), TakenOff(depot=scene.depot(), item=oil, quantity=400, reason="topped up"))
    assert (level().too_old, level().best_before) == (0, date(2027, 6, 1))


def test_what_needs_a_look_is_said_in_words() -> None:
    oil = shelf.item()
    taken = TakenOff(depot=scene.depot(), item=oil, quantity=5, reason="x", override_reason="so")
    ledger.use(at(0), taken)
    shelf.arrival(oil, due_on=date(2026, 6, 10))
    assert level().look == (
        "below zero: count it",
        "was due on 10 Jun 2026: ask the supplier",
    )
    Arrival.objects.update(due_on=NOW.date())  # it may come any hour
    assert level().look == ("below zero: count it",)


def test_the_last_count_is_told() -> None:
    oil = shelf.item()
    for days_ago in (9, 2):
        ledger.count(at(days_ago), depot=scene.depot(), item=oil, counted=7, reason="monthly")
    assert level().counted_at == NOW - timedelta(days=2)


def test_two_queries_do_for_any_number_of_items(django_assert_num_queries: object) -> None:
    for name in ("a", "b", "c"):
        receive(shelf.item(name), 1000, date(2027, 1, 1), 1)
    here = scene.depot().pk
    with django_assert_num_queries(2):  # type: ignore[operator]
        assert len(levels([here], NOW)) == 3
