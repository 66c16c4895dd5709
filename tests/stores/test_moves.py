"""Many moves at once, what may be taken back, and what is listed; by hand."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.db.models import Sum

from fleet.faults import Fault, Forbidden, Question, Refused
from fleet.people.actor import Actor
from fleet.people.models import Role
from fleet.stores import ledger, ordering, past_use
from fleet.stores import lots as stores_lots
from fleet.stores.balance import unbalanced
from fleet.stores.ledger import Receipt, TakenOff, Transfer, to_take_back
from fleet.stores.levels import levels
from fleet.stores.models import Arrival, Item, Stock, StockMove
from fleet.stores.money import typed, words
from fleet.stores.moves import Move, moved, record_many
from fleet.stores.prices import UnitPrice, standing, unit_prices
from tests import scene
from tests.cast import person
from tests.kept import kept
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
PROGRAM = Actor(None, "test", NOW)
TODAY = NOW.date()


@kept
def oil() -> Item:
    """2 L at 9.00 a litre."""
    made = shelf.item("oil")
    receipt = Receipt(depot=scene.depot(), item=made, quantity=2_000, price_minor=1_800)
    ledger.receive(PROGRAM, receipt)
    return made


def move(item: Item, key: str, quantity: int = -500, kind: str = "used", **given: object) -> Move:
    fields = {"depot": scene.depot(), "item": item, "kind": kind, "quantity": quantity, "key": key}
    return Move(**(fields | given))  # type: ignore[arg-type]


def on_hand(item: Item) -> int:
    return Stock.objects.get(item=item, depot=scene.depot()).on_hand


# --- many at once ------------------------------------------------------------------------------
def test_many_moves_are_added_at_the_price_of_the_day_and_told_once(oil: Item) -> None:
    seal = shelf.item("seal", kind="seal", unit="pieces", packs=())
    heard: list[set[int]] = []

    def hear(sender: object, item_ids: set[int], **_: object) -> None:
        heard.append(item_ids)

    moved.connect(hear)
    try:
        given = [
            move(oil, "one", -500, reason=" by W-1 ", batch=" B-7 ", order_number="W-1"),
            move(oil, "two", -250, price_minor=-1),
            move(seal, "three", -3),
        ]
        rows = record_many(PROGRAM, given)
    finally:
        moved.disconnect(hear)
    assert heard == [{oil.pk, seal.pk}]
    # by hand: half a litre at 9.00; a price that came along; a seal of which nobody knows any
    assert [row.price_minor for row in rows] == [-450, -1, None]
    first = rows[0]
    assert (first.reason, first.batch, first.order_number) == ("by W-1", "B-7", "W-1")
    assert (first.at, first.channel, first.person) == (NOW, "test", None)
    assert (on_hand(oil), on_hand(seal)) == (1_250, -3)


def test_moves_that_are_there_are_given_as_they_are_and_no_others_under_their_keys(
    oil: Item,
) -> None:
    first = record_many(PROGRAM, [move(oil, "one")])
    both = record_many(PROGRAM, [move(oil, "one"), move(oil, "two", -100)])
    assert both[0] == first[0]
    assert on_hand(oil) == 1_400
    for other in (
        move(oil, "one", -501),
        move(oil, "one", kind="written off"),
        move(shelf.item("b"), "one"),
    ):
        with pytest.raises(Fault, match="another move"):
            record_many(PROGRAM, [other])
    assert on_hand(oil) == 1_400
    assert record_many(PROGRAM, []) == []


def test_a_receipt_among_many_has_the_price_it_says_or_none(oil: Item) -> None:
    rows = record_many(
        PROGRAM,
        [move(oil, "one", 1_000, "received"), move(oil, "two", 1_000, "received", price_minor=7)],
    )
    assert [row.price_minor for row in rows] == [None, 7]
    assert unit_prices(scene.depot().pk, [oil.pk])[oil.pk] == UnitPrice(7, 1_000)


# --- taken back --------------------------------------------------------------------------------
def test_what_may_be_taken_back_is_told_apart_from_what_was(oil: Item) -> None:
    place = {"depot": scene.depot(), "item": oil}
    plain = ledger.use(PROGRAM, TakenOff(**place, quantity=10, reason="topped up"))
    gone = ledger.use(PROGRAM, TakenOff(**place, quantity=20, reason="topped up"))
    undone = ledger.take_back(PROGRAM, gone, reason="typed twice")
    nothing = ledger.count(PROGRAM, **place, counted=1_990, reason="monthly")
    of_order = ledger.record(PROGRAM, move(oil, "order", order_number="W-1"))
    ends = {"from_depot": scene.depot(), "to_depot": scene.depot("far"), "item": oil}
    sent, came = ledger.transfer(PROGRAM, Transfer(**ends, quantity=5))
    rows = [plain, gone, undone, nothing, of_order, sent, came]
    assert to_take_back(rows) == ({plain.pk}, {gone.pk})
    assert [ledger.undoes(row) for row in rows] == [row == undone for row in rows]
    for row in (undone, nothing, of_order, sent, came, gone):
        with pytest.raises(Refused):
            ledger.take_back(PROGRAM, row, reason="wrong")
    with pytest.raises(Fault, match="why it is taken back"):
        ledger.take_back(PROGRAM, plain, reason=" ")
    used = StockMove.objects.filter(kind="used", order_number="")
    assert set(standing(used)) == {plain}


def test_what_is_taken_back_keeps_lot_and_price_with_the_other_sign(oil: Item) -> None:
    best = TODAY + timedelta(days=90)
    receipt = Receipt(
        depot=scene.depot(), item=oil, quantity=700, price_minor=600, batch="B", best_before=best
    )
    back = ledger.take_back(PROGRAM, ledger.receive(PROGRAM, receipt), reason="of another depot")
    assert (back.kind, back.quantity, back.price_minor) == ("received", -700, -600)
    assert (back.batch, back.best_before, back.reason) == ("B", best, "of another depot")
    assert StockMove.objects.aggregate(all=Sum("quantity"))["all"] == 2_000
    bare = ledger.receive(PROGRAM, replace(receipt, price_minor=None, batch=""))
    assert ledger.take_back(PROGRAM, bare, reason="again").price_minor is None


# --- sent --------------------------------------------------------------------------------------
def test_a_transfer_takes_the_oldest_lots_along_and_is_known_again(oil: Item) -> None:
    best = TODAY + timedelta(days=90)
    given = {"depot": scene.depot(), "item": oil, "quantity": 300}
    ledger.receive(PROGRAM, Receipt(**given, batch="B", best_before=best))
    sent = Transfer(
        from_depot=scene.depot(), to_depot=scene.depot("far"), item=oil, quantity=2_100,
        reason=" they lack it ", key="phone-1",
    )  # fmt: skip
    rows = ledger.transfer(PROGRAM, sent)
    # by hand: a lot with a date goes before what nobody dated; two moves for each
    lots = [(row.quantity, row.batch, row.best_before) for row in rows]
    assert sorted(lots, key=lambda lot: lot[0]) == [
        (-1_800, "", None),
        (-300, "B", best),
        (300, "B", best),
        (1_800, "", None),
    ]
    assert {row.reason for row in rows} == {"they lack it"}
    assert {row.key for row in rows} == {
        *("phone-1:out", "phone-1:in", "phone-1:out1", "phone-1:in1"),
    }
    assert ledger.transfer(PROGRAM, sent) == rows
    for other in (2_099, 2_101):
        with pytest.raises(Fault, match="another move"):
            ledger.transfer(PROGRAM, replace(sent, quantity=other))
    assert StockMove.objects.count() == 2 + 4


def test_batches_without_a_date_go_along_in_the_order_in_which_they_came() -> None:
    made = shelf.item("grease")
    for batch in ("B-2", "B-1"):
        given = {"depot": scene.depot(), "item": made, "quantity": 200, "batch": batch}
        ledger.receive(PROGRAM, Receipt(**given))
    ends = {"from_depot": scene.depot(), "to_depot": scene.depot("far"), "item": made}
    rows = ledger.transfer(PROGRAM, Transfer(**ends, quantity=300))
    sent = [(row.batch, -row.quantity) for row in rows if row.quantity < 0]
    assert sent == [("B-2", 200), ("B-1", 100)]


@pytest.mark.parametrize("there", ["plain", "far"])
def test_a_transfer_is_made_by_who_keeps_stock_at_both_ends(oil: Item, there: str) -> None:
    one = Actor(person("Otto", Role.STORES, scene.depot(there)), "test", NOW)
    sent = Transfer(from_depot=scene.depot(), to_depot=scene.depot("far"), item=oil, quantity=5)
    with pytest.raises(Forbidden):
        ledger.transfer(one, sent)
    one.person.depots.add(scene.depot(), scene.depot("far"))  # type: ignore[union-attr]
    both = Actor(type(one.person).objects.get(), "test", NOW)  # type: ignore[union-attr]
    assert [row.quantity for row in ledger.transfer(both, sent)] == [-5, 5]


@pytest.mark.parametrize("role", [Role.VIEWER, Role.MECHANIC])
def test_only_who_keeps_stock_takes_a_move_back(oil: Item, role: Role) -> None:
    row = StockMove.objects.get()
    with pytest.raises(Forbidden):
        ledger.take_back(
            Actor(person("Vito", role, scene.depot()), "test", NOW), row, reason="not mine"
        )
    ahead = replace(PROGRAM, performed_at=NOW + timedelta(days=1))
    with pytest.raises(Fault, match="lies ahead"):
        ledger.take_back(ahead, row, reason="typed twice")
    assert on_hand(oil) == 2_000


def test_a_lot_that_is_named_goes_alone(oil: Item) -> None:
    best = TODAY + timedelta(days=90)
    sent = Transfer(
        from_depot=scene.depot(), to_depot=scene.depot("far"), item=oil, quantity=100,
        batch=" B ", best_before=best, override_reason="x",
    )  # fmt: skip
    rows = ledger.transfer(PROGRAM, sent)
    assert [(row.quantity, row.batch, row.best_before) for row in rows] == [
        (-100, "B", best),
        (100, "B", best),
    ]
    # by hand: a tenth of a litre at 9.00 each way
    assert [row.price_minor for row in rows] == [-90, 90]


def test_of_a_long_reason_a_row_keeps_what_it_holds(oil: Item) -> None:
    long = "r" * 280
    why = {"quantity": "w" * 100}
    given = TakenOff(depot=scene.depot(), item=oil, quantity=5_000, reason=long)
    row = ledger.use(PROGRAM, replace(given, override_reason=why))
    sent = Transfer(
        from_depot=scene.depot(), to_depot=scene.depot("far"), item=oil, quantity=900_000,
        reason=long, override_reason=why,
    )  # fmt: skip
    for one in (row, *ledger.transfer(PROGRAM, sent)):
        assert one.reason == f"{long}; it stands: {'w' * 100}"[:300]
    order = {"ordered_on": TODAY, "due_on": TODAY + timedelta(days=400)}
    made = ordering.expect(
        PROGRAM, depot=scene.depot(), item=oil, quantity=1, **order, override_reason="o" * 400
    )
    assert made.reason == f"it stands: {'o' * 400}"[:300]


@pytest.mark.parametrize(("seconds", "taken"), [(300, True), (301, False)])
def test_a_phones_clock_may_run_five_minutes_ahead(oil: Item, seconds: int, taken: bool) -> None:
    ahead = replace(PROGRAM, performed_at=NOW + timedelta(seconds=seconds))
    given = TakenOff(depot=scene.depot(), item=oil, quantity=5, reason="topped up")
    if taken:
        assert ledger.use(ahead, given).quantity == -5
        return
    with pytest.raises(Fault, match="lies ahead"):
        ledger.use(ahead, given)


@pytest.mark.parametrize(("counted", "taken"), [(0, True), (-1, False)])
def test_nothing_may_be_counted_and_less_may_not(oil: Item, counted: int, taken: bool) -> None:
    given = {"depot": scene.depot(), "item": oil, "counted": counted, "reason": "monthly"}
    if taken:
        assert ledger.count(PROGRAM, **given).quantity == -2_000
        return
    with pytest.raises(Fault) as refused:
        ledger.count(PROGRAM, **given)
    assert refused.value.about == "quantity"


@pytest.mark.parametrize("counted", [19, 20, 120])
def test_a_count_where_nothing_is_booked_is_believed(counted: int) -> None:
    cloth = shelf.item("cloth", kind="consumable", unit="pieces", packs=())
    shelf.stock(cloth)
    given = {"depot": scene.depot(), "item": cloth, "reason": "the first one"}
    assert ledger.count(PROGRAM, **given, counted=counted).quantity == counted


def test_a_count_is_known_again_by_its_key_whatever_is_there_by_then(oil: Item) -> None:
    given = {"depot": scene.depot(), "item": oil, "reason": "monthly", "key": "phone-1"}
    first = ledger.count(PROGRAM, **given, counted=1_500)
    ledger.use(PROGRAM, TakenOff(depot=scene.depot(), item=oil, quantity=100, reason="topped up"))
    assert ledger.count(PROGRAM, **given, counted=1_500) == first
    assert on_hand(oil) == 1_400
    with pytest.raises(Fault, match="another move"):
        ledger.count(PROGRAM, **{**given, "item": shelf.item("b")}, counted=1_500)


# --- on order ----------------------------------------------------------------------------------
def test_orders_that_have_not_come_are_listed_and_given_up_by_who_may(oil: Item) -> None:
    here, far = scene.depot(), scene.depot("far")
    came = shelf.arrival(oil, received_on=TODAY)
    late = shelf.arrival(oil)
    shelf.arrival(oil, far)
    assert list(ordering.coming([here.pk])) == [late]
    with pytest.raises(Forbidden):
        ordering.give_up(Actor(person("Vito", Role.VIEWER, here), "test", NOW), late)
    order = {"depot": here, "item": oil, "quantity": 1, "ordered_on": TODAY, "due_on": TODAY}
    with pytest.raises(Forbidden):
        ordering.expect(Actor(person("Mika", Role.MECHANIC, here), "test", NOW), **order)
    with pytest.raises(Refused, match="received already"):
        ordering.give_up(PROGRAM, came)
    assert Arrival.objects.count() == 3


@pytest.mark.parametrize(("quantity", "taken"), [(0, False), (1, True)])
def test_an_order_is_of_something(oil: Item, quantity: int, taken: bool) -> None:
    order = {"depot": scene.depot(), "item": oil, "ordered_on": TODAY, "due_on": TODAY}
    if taken:
        assert ordering.expect(PROGRAM, **order, quantity=quantity).quantity == 1
        return
    with pytest.raises(Fault, match="how much"):
        ordering.expect(PROGRAM, **order, quantity=quantity)


def test_the_pack_to_order_is_the_preferred_or_the_largest() -> None:
    made, other = shelf.item("a", packs=(500, 20_000, 1_000)), shelf.item("b", packs=())
    found = ordering.packs_to_order([made.pk, other.pk])
    assert {pk: pack.quantity for pk, pack in found.items()} == {made.pk: 20_000}
    made.packs.filter(quantity=500).update(preferred=True)
    assert ordering.packs_to_order([made.pk])[made.pk].quantity == 500


# --- what stands there and must not ------------------------------------------------------------
def test_what_is_past_its_best_before_is_told_in_a_sentence(oil: Item) -> None:
    assert list(past_use.still_on_shelf(NOW)) == []
    before = replace(PROGRAM, performed_at=NOW - timedelta(days=9))
    best = TODAY - timedelta(days=1)
    ledger.receive(before, Receipt(depot=scene.depot(), item=oil, quantity=1_500, best_before=best))
    (told,) = past_use.still_on_shelf(NOW)
    assert told == (
        "plain, oil: 1,500 mL of 3,500 on hand are past their best before (the oldest "
        "2026-06-14); they are not counted as usable: write them off."
    )
    (level,) = levels([scene.depot().pk], NOW)
    assert (level.on_hand, level.too_old, level.usable) == (3_500, 1_500, 2_000)
    assert (level.on_order, level.arrives_on, level.counted_at) == (0, None, None)


def test_a_shelf_that_does_not_add_up_is_told(oil: Item) -> None:
    assert list(unbalanced()) == []
    Stock.objects.filter(item=oil).update(on_hand=2_100)
    told = list(unbalanced())
    assert told[0] == "plain, oil: 2,100 mL on hand, its moves add up to 2,000 mL."
    Stock.objects.filter(item=oil).delete()
    (told_of_none,) = unbalanced()
    assert told_of_none.startswith(f"Depot {scene.depot().pk}, item {oil.pk}: there are moves")


def test_lots_that_do_not_add_up_are_told_of_items_that_do_not_grow_old_too(
    oil: Item, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the replay lost what came: of oil that nobody gave a best before."""
    whole = stores_lots.lots
    monkeypatch.setattr(stores_lots, "lots", lambda steps: whole(list(steps)[:1]))
    assert StockMove.objects.exclude(best_before=None).count() == 0
    assert list(unbalanced()) == ["plain, oil: 2,000 mL on hand, its lots add up to 0 mL."]


def test_an_amount_is_told_as_it_is_typed() -> None:
    assert typed(123_450) == "1234.50"
    assert typed(-5) == "-0.05"
    assert words(None) == ""


# --- rows that stay ----------------------------------------------------------------------------
def test_no_row_of_the_ledger_is_changed_or_taken_away(oil: Item) -> None:
    row = StockMove.objects.get()
    for act in (row.save, row.delete, StockMove.objects.all().delete):
        with pytest.raises(Refused, match="stays as it is"):
            act()
    assert str(row) == "Oil received: +2000 mL"
    assert str(Stock.objects.get()) == "Oil at Plain"
    assert str(shelf.arrival(oil)) == "1000 mL of Oil for Plain"


def test_reasons_are_asked_for_each_doubt_and_kept_once(oil: Item) -> None:
    given = Receipt(
        depot=scene.depot(), item=oil, quantity=300_000, best_before=TODAY - timedelta(days=1)
    )
    same = {"quantity": "a tank", "best_before": " a tank "}
    assert ledger.receive(PROGRAM, replace(given, override_reason=same)).reason == (
        "it stands: a tank"
    )
    with pytest.raises(Question, match="over already"):
        ledger.receive(PROGRAM, replace(given, override_reason={"quantity": "a tank"}))
