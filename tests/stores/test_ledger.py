from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.db.models import Sum

from fleet.faults import Fault, Forbidden, Refused
from fleet.people.actor import Actor
from fleet.people.models import Person, Role
from fleet.stores import ledger, ordering
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.models import Arrival, Item, Stock, StockMove
from fleet.stores.moves import is_held_back, items, moved, moves_at, together
from fleet.vehicles.models import Depot
from tests import scene
from tests.cast import person
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db


@pytest.fixture
def here() -> Depot:
    return scene.depot()


@pytest.fixture
def there() -> Depot:
    return scene.depot("far")


@pytest.fixture
def oil() -> Item:
    return shelf.item()


@pytest.fixture
def keeper(here: Depot, there: Depot) -> Actor:
    return acting(person("Stella", Role.STORES, here, there))


def acting(who: Person) -> Actor:
    return Actor(person=who, channel="test", now=NOW)


def on_hand(item: Item, depot: Depot) -> int:
    return Stock.objects.get(item=item, depot=depot).on_hand


def test_what_is_on_hand_is_the_sum_of_the_moves(
    keeper: Actor, here: Depot, there: Depot, oil: Item
) -> None:
    place = {"depot": here, "item": oil}
    ledger.receive(keeper, Receipt(**place, quantity=20_000))
    ledger.use(keeper, TakenOff(**place, quantity=1_500, reason="topped up on the road"))
    ledger.write_off(keeper, TakenOff(**place, quantity=500, reason="spilt"))
    ledger.count(keeper, **place, counted=17_800, reason="monthly count")
    ledger.transfer(keeper, Transfer(from_depot=here, to_depot=there, item=oil, quantity=800))
    # by hand: 20,000 − 1,500 − 500 = 18,000; counted 17,800; 800 sent away
    assert (on_hand(oil, here), on_hand(oil, there)) == (17_000, 800)
    for stock in Stock.objects.all():
        moves = StockMove.objects.filter(depot=stock.depot, item=stock.item)
        assert stock.on_hand == moves.aggregate(all=Sum("quantity"))["all"]


def test_a_move_sent_twice_is_there_once(keeper: Actor, here: Depot, oil: Item) -> None:
    for _ in range(2):
        ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=1000, key="phone-1"))
        ledger.count(keeper, depot=here, item=oil, counted=900, reason="count", key="phone-2")
    assert on_hand(oil, here) == 900
    assert StockMove.objects.count() == 2


def test_a_transfer_sent_twice_is_there_once(
    keeper: Actor, here: Depot, there: Depot, oil: Item
) -> None:
    ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=5))
    for _ in range(2):
        ledger.transfer(
            keeper, Transfer(from_depot=here, to_depot=there, item=oil, quantity=5, key="phone-3")
        )
    assert (on_hand(oil, here), on_hand(oil, there)) == (0, 5)


@pytest.mark.parametrize("changes", [{"quantity": 999}, {"item": "other"}])
def test_a_key_of_another_move_is_refused(
    keeper: Actor, here: Depot, oil: Item, changes: dict[str, object]
) -> None:
    ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=1000, key="phone-1"))
    if "item" in changes:
        changes = {"item": shelf.item("other")}
    with pytest.raises(Fault, match="another move"):
        ledger.receive(
            keeper,
            Receipt(**({"depot": here, "item": oil, "quantity": 1000, "key": "phone-1"} | changes)),
        )
    assert StockMove.objects.count() == 1


def test_stock_below_zero_is_recorded(keeper: Actor, here: Depot, oil: Item) -> None:
    taken = TakenOff(depot=here, item=oil, quantity=300, reason="topped up")
    ledger.use(keeper, replace(taken, override_reason="it was used"))
    assert on_hand(oil, here) == -300


def test_a_count_that_finds_nothing_amiss_is_kept(keeper: Actor, here: Depot, oil: Item) -> None:
    ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=1000))
    move = ledger.count(keeper, depot=here, item=oil, counted=1000, reason="monthly count")
    assert (move.quantity, move.kind) == (0, "counted")


def test_what_arrives_is_no_longer_on_order(keeper: Actor, here: Depot, oil: Item) -> None:
    arrival = ordering.expect(
        keeper,
        depot=here,
        item=oil,
        quantity=2000,
        ordered_on=date(2026, 6, 1),
        due_on=date(2026, 6, 20),
    )
    place = {"depot": here, "item": oil, "arrival": arrival}
    for _ in range(2):  # the same key again changes nothing
        ledger.receive(keeper, Receipt(**place, quantity=2000, key="phone-1"))
    assert Arrival.objects.get().received_on == NOW.date()
    with pytest.raises(Refused, match="received already"):
        ledger.receive(keeper, Receipt(**place, quantity=2000))
    assert on_hand(oil, here) == 2000
    ledger.take_back(keeper, StockMove.objects.get(), reason="wrong shelf")
    assert Arrival.objects.get().received_on is None  # on its way again
    ledger.receive(keeper, Receipt(**place, quantity=2000))
    assert on_hand(oil, here) == 2000


def test_an_order_is_due_on_the_day_it_is_made_or_later(
    keeper: Actor, here: Depot, oil: Item
) -> None:
    order = {"depot": here, "item": oil, "quantity": 2000, "ordered_on": date(2026, 6, 2)}
    with pytest.raises(Fault, match="due before it was ordered"):
        ordering.expect(keeper, **order, due_on=date(2026, 6, 1))
    ordering.expect(keeper, **order, due_on=date(2026, 6, 2))  # fetched at the counter
    assert Arrival.objects.get().due_on == date(2026, 6, 2)


def test_an_arrival_for_another_depot_is_refused(
    keeper: Actor, here: Depot, there: Depot, oil: Item
) -> None:
    arrival = shelf.arrival(oil, here)
    with pytest.raises(Fault, match="its own"):
        ledger.receive(keeper, Receipt(depot=there, item=oil, quantity=1, arrival=arrival))


def test_an_order_that_will_not_come_is_given_up(keeper: Actor, here: Depot, oil: Item) -> None:
    arrival = shelf.arrival(oil, here)
    ordering.give_up(keeper, arrival)
    with pytest.raises(Refused):
        ordering.give_up(keeper, arrival)
    assert not Arrival.objects.exists()


def test_a_wrong_receipt_is_taken_back_once(keeper: Actor, here: Depot, oil: Item) -> None:
    move = ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=1000, price_minor=900))
    back = ledger.take_back(keeper, move, reason="typed twice")
    with pytest.raises(Refused, match="taken back already"):
        ledger.take_back(keeper, move, reason="typed twice")
    assert on_hand(oil, here) == 0
    assert StockMove.objects.aggregate(all=Sum("price_minor"))["all"] == 0
    with pytest.raises(Refused, match="enter a new move"):
        ledger.take_back(keeper, back, reason="again")


@pytest.mark.parametrize("given", [{"order_number": "W-1"}, {"other_depot": "far"}])
def test_moves_of_orders_and_transfers_are_put_right_at_their_source(
    keeper: Actor, here: Depot, oil: Item, given: dict[str, object]
) -> None:
    if "other_depot" in given:
        given = {"other_depot": scene.depot("far")}
    move = ledger.record(
        keeper, ledger.Move(depot=here, item=oil, kind="used", quantity=-5, **given)
    )
    with pytest.raises(Refused, match="instead"):
        ledger.take_back(keeper, move, reason="wrong")


def test_nobody_moves_stock_without_the_right_at_that_depot(
    here: Depot, there: Depot, oil: Item
) -> None:
    place = {"depot": here, "item": oil}
    ordered = shelf.arrival(oil, here)
    for who in (person("Mika", Role.MECHANIC, here), person("Otto", Role.STORES, there)):
        actor = acting(who)
        for act in (
            lambda actor=actor: ledger.receive(actor, Receipt(**place, quantity=1)),
            lambda actor=actor: ledger.use(actor, TakenOff(**place, quantity=1, reason="x")),
            lambda actor=actor: ledger.count(actor, **place, counted=1, reason="x"),
            lambda actor=actor: ledger.write_off(actor, TakenOff(**place, quantity=1, reason="x")),
            lambda actor=actor: ledger.transfer(
                actor, Transfer(from_depot=there, to_depot=here, item=oil, quantity=1)
            ),
            lambda actor=actor: ordering.give_up(actor, ordered),
        ):
            with pytest.raises(Forbidden, match="keep stock"):
                act()
    assert not StockMove.objects.exists()
    assert Arrival.objects.get() == ordered


def test_nonsense_is_refused_in_one_sentence(keeper: Actor, here: Depot, oil: Item) -> None:
    place = {"depot": here, "item": oil}
    days = {"ordered_on": date(2026, 6, 1), "due_on": date(2026, 6, 20)}
    for words, act in (
        ("above 0", lambda: ledger.receive(keeper, Receipt(**place, quantity=0))),
        ("above 0", lambda: ordering.expect(keeper, **place, quantity=0, **days)),
        ("from 0 up", lambda: ledger.count(keeper, **place, counted=-1, reason="count")),
        ("why it was counted", lambda: ledger.count(keeper, **place, counted=1, reason=" ")),
        ("written off", lambda: ledger.write_off(keeper, TakenOff(**place, quantity=1, reason=""))),
        ("used for", lambda: ledger.use(keeper, TakenOff(**place, quantity=1, reason=""))),
        (
            "two different",
            lambda: ledger.transfer(
                keeper, Transfer(from_depot=here, to_depot=here, item=oil, quantity=1)
            ),
        ),
    ):
        with pytest.raises(Fault, match=words):
            act()


def test_what_lies_ahead_is_refused(keeper: Actor, here: Depot, oil: Item) -> None:
    early = Actor(
        person=keeper.person, channel="test", now=NOW, performed_at=NOW + timedelta(days=1)
    )
    with pytest.raises(Fault, match="lies ahead"):
        ledger.receive(early, Receipt(depot=here, item=oil, quantity=1))


def test_no_tank_holds_more_than_two_million_litres(keeper: Actor, here: Depot, oil: Item) -> None:
    stands = {"depot": here, "item": oil, "override_reason": "a new tank"}
    ledger.count(keeper, counted=2_000_000_000, reason="monthly count", **stands)
    with pytest.raises(Fault):
        ledger.count(keeper, counted=2_000_000_001, reason="monthly count", **stands)
    with pytest.raises(Fault):
        ledger.receive(keeper, Receipt(quantity=2_000_000_001, **stands))


def test_moves_and_items_are_listed_of_one_kind_or_of_any(
    keeper: Actor, here: Depot, there: Depot, oil: Item
) -> None:
    seal = shelf.item("seal", kind="seal", unit="pieces")
    came = ledger.receive(keeper, Receipt(depot=here, item=oil, quantity=1000))
    used = ledger.use(keeper, TakenOff(depot=here, item=oil, quantity=10, reason="topped up"))
    ledger.receive(keeper, Receipt(depot=there, item=seal, quantity=5))
    assert set(moves_at([here.pk])) == {came, used}
    assert set(moves_at([here.pk], "used")) == {used}
    assert (set(items()), set(items("seal"))) == ({oil, seal}, {seal})


def test_of_moves_made_together_is_heard_once_and_of_each_item(oil: Item) -> None:
    heard: list[set[int]] = []

    def hear(sender: object, item_ids: set[int], **_: object) -> None:
        heard.append(item_ids)

    moved.connect(hear)
    try:
        with together():
            pass
        assert not is_held_back(oil.pk)
        assert heard == []
        with together():
            assert is_held_back(oil.pk)
            with together():
                assert is_held_back(oil.pk + 1)
            assert heard == []
        assert heard == [{oil.pk, oil.pk + 1}]
        assert not is_held_back(oil.pk)
    finally:
        moved.disconnect(hear)
