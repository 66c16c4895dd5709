"""What is proposed, counted by hand from what a night found and from the stock as it is."""

from datetime import date, timedelta

import pytest
import time_machine
from pytest_django import DjangoAssertNumQueries

from fleet.consumables.demand import forecast_demand
from fleet.consumables.listing import DemandRow, as_of, demand_rows
from fleet.consumables.models import (
    ForecastDay,
    MonthlyDemand,
    OrderProposal,
    StockNeed,
    TransferProposal,
)
from fleet.consumables.position import positions
from fleet.consumables.propose import hand_over, looks_until, propose, shelves
from fleet.faults import Refused
from fleet.people.actor import Actor
from fleet.stores import ledger, moves, ordering
from fleet.stores.ledger import Receipt, TakenOff
from fleet.stores.models import Arrival, Item, Pack, Stock
from fleet.vehicles.models import Depot
from tests import scene
from tests.consumables.test_demand import due_on
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
TODAY = NOW.date()  # 15 June 2026
PROGRAM = Actor(None, "test", NOW)
LEAD_D, REVIEW_D = 10, 20


@pytest.fixture
def oil() -> Item:
    return shelf.item("oil", packs=(1000,))


def kept(
    oil: Item, on_hand: int = 0, needed: int | None = 5000, at: Depot | None = None, **given: object
) -> Stock:
    """A shelf whose night found a need: 6 L in June's 16 days that are left, 31 L in July."""
    depot = at or scene.depot()
    ForecastDay.objects.get_or_create(depot=depot, defaults={"on": TODAY})
    for month_on, mean in ((date(2026, 6, 1), 6_000), (date(2026, 7, 1), 31_000)):
        if needed is not None:
            MonthlyDemand.objects.create(
                depot=depot, item=oil, month_on=month_on, mean=mean, p50=1, p80=2, p95=3
            )
    if needed is not None:
        StockNeed.objects.create(
            **{"depot": depot, "item": oil, "needed": needed, "needed_first": needed // 2} | given
        )
    stock = shelf.stock(oil, depot, lead_time_d=LEAD_D, review_period_d=REVIEW_D)
    if on_hand:
        ledger.receive(PROGRAM, Receipt(depot=depot, item=oil, quantity=on_hand))
    return stock


def order() -> OrderProposal | None:
    propose()
    return OrderProposal.objects.filter(depot=scene.depot()).first()


def lacking() -> tuple[int, int, int]:
    found = order()
    assert found is not None
    return found.usable, found.on_order, found.packs


def received(oil: Item, quantity: int, in_days: int) -> None:
    ledger.receive(
        PROGRAM,
        Receipt(
            **{"depot": scene.depot(), "item": oil, "quantity": quantity},
            best_before=TODAY + timedelta(days=in_days),
            override_reason="it may be over",
        ),
    )


# --- what counts as there ----------------------------------------------------------------------
def test_what_is_past_its_best_before_does_not_count(oil: Item) -> None:
    kept(oil, 1000)
    received(oil, 3000, -1)
    assert lacking() == (1000, 0, 4)


def test_what_is_too_old_before_it_is_needed_counts_only_as_far(oil: Item) -> None:
    kept(oil)
    received(oil, 3000, 3)
    # by hand: 6,000 in 16 days is 375 a day; from the 15th to the end of the 18th 4 days: 1,500
    assert lacking() == (1500, 0, 4)


def test_an_order_counts_until_it_is_a_week_late_and_if_it_comes_in_time(oil: Item) -> None:
    kept(oil)
    for days, quantity in ((-8, 100), (-7, 200), (30, 400), (31, 800)):
        shelf.arrival(
            oil, quantity=quantity, ordered_on=date(2026, 5, 1), due_on=TODAY + timedelta(days=days)
        )
    assert lacking() == (0, 600, 5)


def test_what_was_received_is_on_order_no_more(oil: Item) -> None:
    kept(oil)
    shelf.arrival(oil, quantity=4000, received_on=TODAY)
    assert lacking() == (0, 0, 5)


def test_stock_below_zero_is_owed(oil: Item) -> None:
    kept(oil)
    taken = TakenOff(
        depot=scene.depot(), item=oil, quantity=1500, reason="topped up", override_reason="so"
    )
    ledger.use(PROGRAM, taken)
    assert lacking() == (-1500, 0, 7)


# --- what is ordered ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("on_hand", "days"),
    # by hand: 2,500 are needed in the lead time, 5,000 with the review period of 20 days
    [(0, 0), (2500, 0), (3000, 4), (3750, 10), (4999, 19)],
)
def test_it_is_ordered_when_the_need_of_the_lead_time_is_reached(
    oil: Item, on_hand: int, days: int
) -> None:
    kept(oil, on_hand)
    found = order()
    assert found is not None
    assert found.order_by_on == TODAY + timedelta(days=days)


def test_nothing_is_proposed_where_enough_is_there_or_none_is_needed(oil: Item) -> None:
    stock = kept(oil, 5000)
    assert order() is None
    Stock.objects.filter(pk=stock.pk).update(on_hand=4999)
    StockNeed.objects.all().delete()
    assert order() is None


def test_without_a_pack_nobody_knows_what_to_order(oil: Item) -> None:
    kept(oil)
    oil.packs.all().delete()
    assert order() is None
    assert rows()[0].pack is None


def test_it_is_told_until_when_orders_let_stock_last(oil: Item) -> None:
    kept(oil)
    assert looks_until(TODAY, shelves()) == {("plain", "oil"): date(2026, 7, 15)}  # 10 + 20 days


def test_the_preferred_pack_is_ordered_and_else_the_largest(oil: Item) -> None:
    kept(oil)
    for quantity in (20_000, 200):
        Pack.objects.create(item=oil, quantity=quantity)
    found = order()
    assert found is not None
    assert (found.pack and found.pack.quantity, found.packs, found.quantity) == (20_000, 1, 20_000)
    Pack.objects.filter(quantity=200).update(preferred=True)
    found = order()
    assert found is not None
    assert (found.pack and found.pack.quantity, found.packs) == (200, 25)


def test_no_more_is_ordered_than_is_used_while_it_keeps(oil: Item) -> None:
    kept(oil, 1000, used_while_fresh=3500)
    found = order()
    assert found is not None
    # by hand: 4 L are lacking, and 2.5 L are used before they are too old
    assert (found.packs, found.capped_by_shelf_life) == (2, True)


def test_proposing_again_writes_nothing(oil: Item) -> None:
    kept(oil)
    kept(oil, 8000, None, scene.depot("far"))
    propose()
    assert TransferProposal.objects.exists()
    assert propose() == 0
    TransferProposal.objects.update(quantity=1)
    assert propose() == 1


# --- other depots first ------------------------------------------------------------------------
def given() -> list[tuple[str, int]]:
    propose()
    rows = TransferProposal.objects.filter(depot=scene.depot()).order_by("-quantity")
    return [(row.from_depot.slug, row.quantity) for row in rows]


def test_what_another_depot_has_beyond_its_need_is_proposed_first(oil: Item) -> None:
    kept(oil, 1000)
    kept(oil, 7500, 5000, scene.depot("far"))
    # by hand: 4 L are lacking; 7.5 L less 5 L are to spare, 2 whole packs; 2 L are ordered
    assert given() == [("far", 2000)]
    found = order()
    assert found is not None
    assert (found.packs, found.transferred) == (2, 2000)
    row = TransferProposal.objects.get()
    assert (row.needed, row.usable, row.on_order, row.order_by_on) == (5000, 1000, 0, TODAY)


def test_the_depot_with_most_to_spare_gives_first_and_no_order_is_left(oil: Item) -> None:
    kept(oil)
    kept(oil, 3000, None, scene.depot("far"))
    kept(oil, 3500, None, scene.depot("farther"))
    assert given() == [("farther", 3000), ("far", 2000)]
    assert order() is None


@pytest.mark.parametrize(
    ("changes", "quantity"),
    [({"draw": "bulk"}, 2700), ({"unit": "pieces", "kind": "seal"}, 2700), ({}, 2000)],
)
def test_only_whole_packs_are_sent_of_what_is_not_drawn_from_bulk(
    oil: Item, changes: dict[str, str], quantity: int
) -> None:
    Item.objects.update(**changes)
    kept(oil)
    kept(oil, 2700, None, scene.depot("far"))
    assert given() == [("far", quantity)]


def test_a_single_piece_is_sent_too(oil: Item) -> None:
    Item.objects.update(unit="pieces", kind="seal")
    kept(oil)
    kept(oil, 1, None, scene.depot("far"))
    assert given() == [("far", 1)]


def test_what_would_be_too_old_by_then_is_not_sent(oil: Item) -> None:
    far = scene.depot("far")
    kept(oil)
    kept(oil, 0, None, far)
    for quantity, days in ((2000, LEAD_D + REVIEW_D - 1), (1000, LEAD_D + REVIEW_D)):
        ledger.receive(
            PROGRAM,
            Receipt(
                **{"depot": far, "item": oil, "quantity": quantity},
                best_before=TODAY + timedelta(days=days),
            ),
        )
    assert given() == [("far", 1000)]


def test_two_depots_that_lack_it_share_what_there_is_the_more_pressing_first(oil: Item) -> None:
    kept(oil, 3000)
    kept(oil, 0, 5000, scene.depot("near"))
    kept(oil, 6000, None, scene.depot("far"))
    propose()
    shared = TransferProposal.objects.values_list("depot__slug", "quantity")
    assert set(shared) == {("near", 5000), ("plain", 1000)}


def test_what_is_handed_over_moves_once_and_is_proposed_no_more(oil: Item) -> None:
    kept(oil)
    kept(oil, 9000, None, scene.depot("far"))
    row = TransferProposal.objects.select_related("depot", "from_depot", "item").get()
    moves = hand_over(PROGRAM, row, key="one-tap")
    assert [move.quantity for move in moves] == [-5000, 5000]
    assert not TransferProposal.objects.exists()
    with pytest.raises(Refused, match="transferred already"):
        hand_over(PROGRAM, row, key="another-tap")


# --- at once -----------------------------------------------------------------------------------
def test_a_move_of_stock_brings_proposals_up_to_date_at_once(oil: Item) -> None:
    kept(oil)
    other = shelf.item("other")
    kept(other)
    propose()
    move = ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=4000))
    packs = dict(OrderProposal.objects.values_list("item__slug", "packs"))
    assert packs == {"oil": 1, "other": 5}
    ledger.take_back(PROGRAM, move, reason="of another depot")
    assert OrderProposal.objects.get(item=oil).packs == 5


def test_an_order_and_its_end_bring_them_up_to_date_at_once(oil: Item) -> None:
    kept(oil)
    propose()
    coming = ordering.expect(
        PROGRAM,
        **{"depot": scene.depot(), "item": oil, "quantity": 5000},
        **{"ordered_on": TODAY, "due_on": TODAY + timedelta(days=10)},
    )
    assert not OrderProposal.objects.exists()
    ordering.give_up(PROGRAM, coming)
    assert OrderProposal.objects.get().packs == 5


def test_before_the_first_night_a_move_proposes_nothing_and_looks_at_nothing(
    oil: Item, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    shelf.stock(oil)
    with django_assert_num_queries(1):
        assert propose([oil.pk]) == 0
    ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=4000))
    assert not OrderProposal.objects.exists()


def test_many_moves_are_followed_once_at_their_end(oil: Item) -> None:
    kept(oil)
    propose()
    before = OrderProposal.objects.get().on_hand
    with moves.together():
        for _ in range(3):
            ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=100))
        assert OrderProposal.objects.get().on_hand == before  # not yet
    assert OrderProposal.objects.get().on_hand == before + 300


# --- beside the need ---------------------------------------------------------------------------
def rows(on: date = TODAY) -> list[DemandRow]:
    return demand_rows(on, ["plain"], 12)


def test_the_table_adds_up_and_says_when_the_shelf_is_empty(oil: Item) -> None:
    kept(oil, at=scene.depot("far"))  # which nobody asks about
    kept(oil, 9_100)
    received(oil, 500, -1)
    shelf.arrival(oil, quantity=2000, due_on=date(2026, 7, 1), ordered_on=TODAY)
    MonthlyDemand.objects.filter(mean=31_000).update(mean=31_000.04)  # told to the tenth
    june, july = rows()
    assert (june.pack, june.packs) == (1_000, None)  # nothing is proposed before a night
    assert [(row.mean, row.cumulative) for row in (june, july)] == [(6000, 6000), (31_000, 37_000)]
    assert (june.on_hand, june.usable) == (9_600, 9_100)
    # by hand: 9,100 − 6,000; and with the order 11,100 − 37,000
    assert (june.free, july.free) == (3_100, -25_900)
    # 9,100 last 3.1 days of July at 1 L a day, and 2 L of 1 July two days more: 6 July
    assert june.runs_out == date(2026, 7, 6)


def test_an_order_that_comes_after_the_shelf_is_empty_does_not_help(oil: Item) -> None:
    kept(oil, 7_500)
    shelf.arrival(oil, quantity=2000, due_on=date(2026, 7, 3), ordered_on=TODAY)
    assert rows()[0].runs_out == date(2026, 7, 2)
    Arrival.objects.update(
        ordered_on=date(2026, 5, 1), due_on=TODAY - timedelta(days=7)
    )  # late, and may come any hour
    assert rows()[0].runs_out == date(2026, 7, 4)


def test_of_a_month_under_way_the_rest_is_needed(oil: Item) -> None:
    kept(oil, 3_000)
    # by hand: 375 a day; 3,000 last 8 days from whatever day it is
    assert rows()[0].runs_out == TODAY + timedelta(days=8)
    assert rows(TODAY + timedelta(days=4))[0].runs_out == TODAY + timedelta(days=12)


def test_what_keeps_until_wednesday_serves_that_day_and_no_longer(oil: Item) -> None:
    kept(oil)
    received(oil, 3_000, 2)  # until the end of 17 June
    assert rows()[0].runs_out == date(2026, 6, 18)


def test_of_months_that_are_over_nothing_is_needed_any_more(oil: Item) -> None:
    kept(oil, 3_000)
    MonthlyDemand.objects.filter(month_on=date(2026, 7, 1)).delete()
    depot = scene.depot()
    position = positions({depot.pk: date(2026, 7, 1)})[depot.pk, oil.pk]
    assert position.needed_until(date(2026, 7, 9)) == 0


def test_the_day_of_the_forecast_is_told(oil: Item) -> None:
    assert as_of(["plain"]) is None
    kept(oil)
    ForecastDay.objects.create(depot=scene.depot("far"), on=TODAY - timedelta(days=2))
    assert as_of(["plain"]) == TODAY
    assert as_of(["plain", "far"]) == TODAY - timedelta(days=2)


def test_a_night_finds_the_needs_of_the_lead_time_and_of_the_review_period() -> None:
    with time_machine.travel(NOW, tick=False):
        _, item = due_on(TODAY + timedelta(days=20))
        item.shelf_life_d = 73
        item.save()
        shelf.stock(item, lead_time_d=20, review_period_d=1)
        forecast_demand(TODAY, [scene.depot().pk])
    need = StockNeed.objects.get()
    # by hand: due on the 20th day, so within 21 days and not within 20; a fifth of 1.5 L a year
    assert (need.needed, need.needed_first) == (1500, 0)
    assert need.used_while_fresh == pytest.approx(300, abs=20)
    assert ForecastDay.objects.get().on == TODAY


def test_what_is_delivered_at_once_must_hold_nothing_till_it_comes() -> None:
    with time_machine.travel(NOW, tick=False):
        _, item = due_on(TODAY)
        shelf.stock(item, lead_time_d=0, review_period_d=20)
        forecast_demand(TODAY, [scene.depot().pk])
    need = StockNeed.objects.get()
    assert (need.needed, need.needed_first, need.mean, need.mean_first) == (1500, 0, 1500, 0)
