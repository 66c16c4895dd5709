"""Whatever is received, used, counted, transferred, taken back or written off, in any order: the
lots add up to what is on hand, and nothing past its date is usable."""

from collections import defaultdict
from contextlib import suppress
from datetime import date, timedelta
from typing import Any

import pytest
from django.db.models import Q
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fleet.calc.lots import Lot
from fleet.faults import Fault, Refused
from fleet.people.actor import Actor
from fleet.stores import ledger, past_use
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.levels import levels
from fleet.stores.lots import lots_at, lots_of, past_on
from fleet.stores.models import Item, Stock, StockMove
from fleet.vehicles.models import Depot
from tests import scene
from tests.scene import NOW
from tests.stores import shelf

TODAY = NOW.date()
OLD, SOON, LATER = (TODAY + timedelta(days=days) for days in (-3, 10, 400))
DATES = st.sampled_from([None, OLD, SOON, LATER])
BATCHES = st.sampled_from(["", "A", "B"])
KINDS = ("received", "used", "counted", "written off", "transferred", "taken back", "order")
MOVES = st.lists(
    st.fixed_dictionaries(
        {
            "kind": st.sampled_from(KINDS),
            "quantity": st.integers(1, 60),
            "batch": BATCHES,
            "best_before": DATES,
            "away": st.booleans(),
            "which": st.integers(0, 30),
            "days_ago": st.integers(0, 30),
        }
    ),
    min_size=1,
    max_size=14,
)


def acting(days_ago: int = 0) -> Actor:
    return Actor(None, "test", NOW, performed_at=NOW - timedelta(days=days_ago))


def one_move(move: dict[str, Any], item: Item, here: Depot, there: Depot) -> None:
    if move["away"]:
        here, there = there, here
    actor, quantity, batch = acting(move["days_ago"]), move["quantity"], move["batch"]
    place: dict[str, Any] = {"depot": here, "item": item}
    match move["kind"]:
        case "received":
            dated = {"batch": batch, "best_before": move["best_before"]}
            ledger.receive(
                actor, Receipt(**place, **dated, quantity=quantity, override_reason="drawn")
            )
        case "used":
            ledger.use(
                actor,
                TakenOff(**place, batch=batch, quantity=quantity, reason="x", override_reason="so"),
            )
        case "written off":
            ledger.write_off(
                actor,
                TakenOff(**place, batch=batch, quantity=quantity, reason="x", override_reason="so"),
            )
        case "counted":
            ledger.count(actor, **place, counted=quantity, reason="x")
        case "transferred":
            ends = {"from_depot": here, "to_depot": there, "item": item}
            ledger.transfer(
                actor, Transfer(**ends, batch=batch, quantity=quantity, override_reason="so")
            )
        case "order":  # booked, and booked again when it was corrected
            order = {"order_number": f"W-{move['which'] % 3}", "kind": "used", "batch": batch}
            booked = StockMove.objects.filter(**order, depot=here)
            before = sum(booked.values_list("quantity", flat=True))
            if before != -quantity:
                ledger.record(actor, ledger.Move(**place, **order, quantity=-quantity - before))
        case _:
            taken_back(actor, move["which"])


def taken_back(actor: Actor, which: int) -> None:
    rows = StockMove.objects.order_by("id").select_related("depot", "item")
    if count := rows.count():
        with suppress(Refused):  # of a transfer, an order, or taken back already
            ledger.take_back(actor, rows[which % count], reason="x")


class Lots(TestCase):  # type: ignore[misc]  # untyped upstream
    @classmethod
    def setUpTestData(cls) -> None:
        cls.item, cls.depots = shelf.item(packs=()), (scene.depot(), scene.depot("far"))

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(MOVES)
    def test_of_random_moves(self, moves: list[dict[str, Any]]) -> None:
        item, depots = self.item, self.depots
        for move in moves:
            one_move(move, item, *depots)
        left: dict[date | None, int] = defaultdict(int)
        for stock in Stock.objects.all():
            there = lots_at(stock.depot_id, item.pk)
            moved = StockMove.objects.filter(depot=stock.depot_id)
            assert sum(lot.left for lot in there) == stock.on_hand
            assert stock.on_hand == sum(moved.values_list("quantity", flat=True))
            for lot in there:
                left[lot.best_before] += max(lot.left, 0)
        # no date is on more than came with it, or under its batch
        came = StockMove.objects.filter(
            Q(kind="received") | Q(kind="transferred in", best_before=None)
        ).values_list("best_before", "quantity")
        for on in (OLD, SOON, LATER):
            assert left[on] <= sum(n for day, n in came if day in (on, None) and n > 0)
        for level in levels([depot.pk for depot in depots], NOW):
            fit = sum(lot.left for lot in level.lots if lot.best_before != OLD)
            assert level.usable == level.on_hand - level.too_old
            assert not level.lots or level.usable == fit


@pytest.fixture
def oil(db: None) -> Item:
    return shelf.item(packs=())


def receive(oil: Item, quantity: int, best_before: date | None, **given: Any) -> StockMove:
    given = {"depot": scene.depot(), "batch": ""} | given
    return ledger.receive(
        acting(5), Receipt(item=oil, quantity=quantity, best_before=best_before, **given)
    )


def left(depot: Depot, oil: Item) -> list[tuple[str, date | None, int]]:
    return [(lot.batch, lot.best_before, lot.left) for lot in lots_at(depot.pk, oil.pk)]


def test_a_receipt_taken_back_leaves_what_was_there_before(oil: Item) -> None:
    here = scene.depot()
    receive(oil, 1000, OLD, batch="A")
    wrong = receive(oil, 1000, None)
    ledger.take_back(acting(), wrong, reason="typed twice")
    # by hand: the 1 L that is too old is still there, and still warned of
    assert left(here, oil) == [("A", OLD, 1000)]
    assert past_on({(here.pk, oil.pk): 1000}, {here.pk: TODAY}) == {(here.pk, oil.pk): 1000}
    assert "plain, gear-oil: 1,000 mL of 1,000 on hand are past" in next(
        past_use.still_on_shelf(NOW)
    )


def test_a_use_taken_back_goes_where_it_was_taken_from(oil: Item) -> None:
    receive(oil, 1000, SOON, batch="A")
    used = ledger.use(
        acting(), TakenOff(depot=scene.depot(), item=oil, quantity=400, reason="topped up")
    )
    ledger.take_back(acting(), used, reason="of another depot")
    assert left(scene.depot(), oil) == [("A", SOON, 1000)]


def test_a_transfer_carries_batch_and_best_before(oil: Item) -> None:
    here, there = scene.depot(), scene.depot("far")
    receive(oil, 1000, LATER, batch="B")
    receive(oil, 400, OLD, batch="A")
    moves = ledger.transfer(
        acting(), Transfer(from_depot=here, to_depot=there, item=oil, quantity=600)
    )
    # by hand: .4 L of A, which is the older, and .2 L of B
    assert [(move.batch, move.quantity) for move in moves] == [
        *(("A", -400), ("A", 400), ("B", -200), ("B", 200))
    ]
    assert left(here, oil) == [("B", LATER, 800)]
    assert left(there, oil) == [("A", OLD, 400), ("B", LATER, 200)]
    (warned,) = [level.too_old for level in levels([there.pk], NOW)]
    assert warned == 400


def test_a_transfer_of_several_lots_sent_twice_is_there_once(oil: Item) -> None:
    here, there = scene.depot(), scene.depot("far")
    receive(oil, 1000, LATER, batch="B")
    receive(oil, 400, OLD, batch="A")
    ends: dict[str, Any] = {"from_depot": here, "to_depot": there, "item": oil, "key": "phone-1"}
    first = ledger.transfer(acting(), Transfer(**ends, quantity=600))
    assert ledger.transfer(acting(), Transfer(**ends, quantity=600)) == first
    assert StockMove.objects.count() == 2 + 4
    with pytest.raises(Fault, match="another move"):
        ledger.transfer(acting(), Transfer(**ends, quantity=400))


def test_a_named_batch_goes_and_takes_its_date_along(oil: Item) -> None:
    here, there = scene.depot(), scene.depot("far")
    receive(oil, 1000, LATER, batch="B")
    receive(oil, 400, OLD, batch="A")
    ledger.transfer(
        acting(), Transfer(from_depot=here, to_depot=there, item=oil, quantity=300, batch=" B ")
    )
    assert left(there, oil) == [("B", LATER, 300)]


def test_batches_that_do_not_grow_old_go_along_too_the_first_that_came_first(oil: Item) -> None:
    here, there = scene.depot(), scene.depot("far")
    receive(oil, 1000, None, batch="A")
    receive(oil, 500, None, batch="B")
    ledger.transfer(acting(), Transfer(from_depot=here, to_depot=there, item=oil, quantity=1200))
    # by hand: all of A, and .2 L of B
    assert left(there, oil) == [("A", None, 1000), ("B", None, 200)]
    assert left(here, oil) == [("B", None, 300)]


def test_what_a_count_finds_more_is_of_no_lot_and_what_it_lacks_of_the_oldest(oil: Item) -> None:
    here = scene.depot()
    receive(oil, 1000, SOON, batch="A")
    receive(oil, 1000, LATER, batch="B")
    ledger.count(acting(1), depot=here, item=oil, counted=2100, reason="monthly")
    assert left(here, oil)[-1] == ("", None, 100)
    ledger.count(acting(), depot=here, item=oil, counted=1500, reason="monthly")
    assert left(here, oil) == [("A", SOON, 400), ("B", LATER, 1000), ("", None, 100)]


def test_a_corrected_order_is_as_if_it_had_been_booked_right(oil: Item) -> None:
    here = scene.depot()
    receive(oil, 1000, SOON, batch="A")
    order = {"depot": here, "item": oil, "kind": "used", "order_number": "W-1"}
    for quantity in (-700, 400):  # it were .3 L
        ledger.record(acting(), ledger.Move(**order, quantity=quantity))
    assert left(here, oil) == [("A", SOON, 700)]


def test_what_no_move_explains_is_of_no_lot(oil: Item) -> None:
    receive(oil, 1000, SOON, batch="A")
    Stock.objects.update(on_hand=1300)
    assert lots_at(scene.depot().pk, oil.pk) == [Lot("A", SOON, 1000), Lot("", None, 300)]


def test_batches_of_what_never_grows_old_are_one_lot_unless_each_is_asked_for(oil: Item) -> None:
    stored = [receive(oil, quantity, None, batch=batch) for batch, quantity in (("A", 3), ("B", 5))]
    here = (stored[0].depot_id, oil.pk)
    assert [lot.left for lot in lots_of({here: 8})[here]] == [8]
    assert [lot.left for lot in lots_of({here: 8}, every_item=True)[here]] == [3, 5]
