import pytest

from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.models import Item, StockMove
from fleet.stores.prices import UnitPrice, unit_prices
from tests import scene
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
PROGRAM = Actor(person=None, channel="test", now=NOW)


def listed(item: Item, price_minor: int, **which: object) -> None:
    item.packs.filter(**which).update(price_minor=price_minor, price_source=shelf.INVENTED)


def price(item: Item) -> UnitPrice | None:
    return unit_prices(scene.depot().pk, [item.pk]).get(item.pk)


def receive(item: Item, quantity: int, price_minor: int | None) -> StockMove:
    return ledger.receive(
        PROGRAM, Receipt(depot=scene.depot(), item=item, quantity=quantity, price_minor=price_minor)
    )


def test_the_price_is_the_one_last_paid_here() -> None:
    oil = shelf.item()
    listed(oil, 1_200)
    receive(oil, 20_000, 18_000)
    receive(oil, 1_000, 1_100)
    receive(oil, 1_000, None)
    assert price(oil) == UnitPrice(1_100, 1_000)


def test_a_receipt_that_was_taken_back_sets_no_price() -> None:
    oil = shelf.item()
    receive(oil, 20_000, 18_000)
    ledger.take_back(PROGRAM, receive(oil, 1_000, 4_000), reason="typed wrong")
    assert price(oil) == UnitPrice(18_000, 20_000)


def test_without_a_receipt_the_preferred_pack_sets_the_price() -> None:
    oil = shelf.item(packs=(1000, 20_000))
    listed(oil, 1_200, quantity=1000)
    assert price(oil) == UnitPrice(1_200, 1_000)
    listed(oil, 20_000, quantity=20_000)
    assert price(oil) == UnitPrice(20_000, 20_000)
    oil.packs.filter(quantity=1000).update(preferred=True)
    assert price(oil) == UnitPrice(1_200, 1_000)


def test_a_price_nobody_knows_is_left_out() -> None:
    oil = shelf.item()
    assert price(oil) is None
    taken = TakenOff(depot=scene.depot(), item=oil, quantity=5, reason="x", override_reason="so")
    move = ledger.use(PROGRAM, taken)
    assert move.price_minor is None


def test_what_is_used_carries_its_share_of_the_price() -> None:
    oil = shelf.item()
    receive(oil, 20_000, 25_980)
    move = ledger.use(
        PROGRAM, TakenOff(depot=scene.depot(), item=oil, quantity=1_500, reason="topped up")
    )
    assert move.price_minor == -1_949  # by hand: 1.5 × 12.99 = 19.485


def test_what_is_sent_takes_its_share_of_the_price_along() -> None:
    oil = shelf.item()
    receive(oil, 20_000, 25_980)
    ends = {"from_depot": scene.depot(), "to_depot": scene.depot("far"), "item": oil}
    ledger.transfer(PROGRAM, Transfer(**ends, quantity=500))
    sent = StockMove.objects.exclude(kind="received").order_by("quantity")
    # by hand: half a litre at 12.99
    assert [(row.quantity, row.price_minor) for row in sent] == [(-500, -650), (500, 650)]
