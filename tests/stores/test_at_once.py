"""Moves that really run at the same time, each on a connection of its own."""

from itertools import count as counting

import pytest

from fleet.faults import Refused
from fleet.people.actor import Actor
from fleet.stores import ledger
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.models import Stock, StockMove
from tests import scene
from tests.api.test_repeats_at_once import TOGETHER, together
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db(transaction=True)
PROGRAM = Actor(person=None, channel="test", now=NOW)


def test_no_move_is_lost_when_many_are_made_at_once() -> None:
    here, oil = scene.depot(), shelf.item()

    def take() -> int:
        taken = TakenOff(depot=here, item=oil, quantity=7, reason="x", override_reason="so")
        return ledger.use(PROGRAM, taken).quantity

    assert together(take) == {-7: TOGETHER}
    assert Stock.objects.get().on_hand == -7 * TOGETHER


def test_one_key_sent_many_times_at_once_is_one_move() -> None:
    here, oil = scene.depot(), shelf.item()

    def send() -> int:
        move = ledger.receive(PROGRAM, Receipt(depot=here, item=oil, quantity=1000, key="phone-1"))
        return int(move.pk)

    assert len(together(send)) == 1
    assert (StockMove.objects.count(), Stock.objects.get().on_hand) == (1, 1000)


def test_counts_and_uses_at_once_still_add_up() -> None:
    here, oil = scene.depot(), shelf.item()
    turns = counting()

    def act() -> int:
        if next(turns) % 2:
            ledger.count(PROGRAM, depot=here, item=oil, counted=500, reason="count")
        else:
            taken = TakenOff(depot=here, item=oil, quantity=10, reason="x", override_reason="so")
            ledger.use(PROGRAM, taken)
        return 0

    together(act)
    moved = sum(StockMove.objects.values_list("quantity", flat=True))
    assert Stock.objects.get().on_hand == moved


def test_transfers_in_both_directions_at_once_do_not_wait_for_ever() -> None:
    here, there, oil = scene.depot(), scene.depot("far"), shelf.item()
    turns = counting()

    def send() -> int:
        places = (here, there) if next(turns) % 2 else (there, here)
        ends = {"from_depot": places[0], "to_depot": places[1]}
        sent = Transfer(**ends, item=oil, quantity=10, override_reason="so")  # type: ignore[arg-type]
        ledger.transfer(PROGRAM, sent)
        return 0

    assert together(send) == {0: TOGETHER}
    assert {stock.on_hand for stock in Stock.objects.all()} == {0}


def test_a_move_taken_back_by_many_at_once_is_taken_back_once() -> None:
    oil = shelf.item()
    move = ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=1000))

    def undo() -> int:
        try:
            return ledger.take_back(PROGRAM, move, reason="typed twice").quantity
        except Refused:
            return 0

    assert together(undo) == {-1000: 1, 0: TOGETHER - 1}
    assert Stock.objects.get().on_hand == 0
