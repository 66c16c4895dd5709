"""More than is on hand, and ten times what is usual. The limits are our choice."""

from dataclasses import replace

import pytest

from fleet.faults import Question
from fleet.stores import ledger, ordering
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.models import Stock, StockMove
from tests import scene
from tests.scene import NOW
from tests.stores import shelf
from tests.stores.test_doubt import PROGRAM, TODAY, at, counted, received

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("way", ["used", "written off", "transferred"])
@pytest.mark.parametrize(("litres", "asks"), [(11, False), (12, True), (110, True)])
def test_more_than_is_on_hand_is_asked_about(way: str, litres: int, asks: bool) -> None:
    made = shelf.item("made-up", packs=(60_000,))
    received(made, 11_000)

    def move() -> object:
        taken = TakenOff(**at(made), quantity=litres * 1000, reason="x")
        match way:
            case "used":
                return ledger.use(PROGRAM, taken)
            case "written off":
                return ledger.write_off(PROGRAM, taken)
        ends = {"from_depot": scene.depot(), "to_depot": scene.depot("far"), "item": made}
        return ledger.transfer(PROGRAM, Transfer(**ends, quantity=litres * 1000))

    if not asks:
        move()
        return
    with pytest.raises(Question, match=f"{litres} L of Made up, where 11 L should be on") as asked:
        move()
    assert asked.value.values[0] == litres * 100  # by hand: a digit too many
    assert StockMove.objects.count() == 1


@pytest.mark.parametrize(("litres", "asks"), [(6, False), (12, False), (13, True), (60, True)])
def test_more_than_twice_what_was_ordered_is_asked_about(litres: int, asks: bool) -> None:
    oil = shelf.item("made-up", packs=(1_000,))
    came = Receipt(
        **at(oil), quantity=litres * 1000, arrival=shelf.arrival(oil, scene.depot(), quantity=6000)
    )
    if not asks:
        assert ledger.receive(PROGRAM, came).quantity == litres * 1000
        return
    with pytest.raises(Question, match=f"{litres} L of Made up, where 6 L were ordered") as asked:
        ledger.receive(PROGRAM, came)
    assert asked.value.values == (6000,)
    assert not StockMove.objects.exists()
    kept = ledger.receive(PROGRAM, replace(came, override_reason="they sent the whole drum"))
    assert "they sent the whole drum" in kept.reason


def test_a_shelf_below_zero_has_nothing_on_hand() -> None:
    cloth = shelf.item("cloth", kind="consumable", unit="pieces", packs=())
    for on_hand in ("0 pieces", "0 pieces"):
        taken = TakenOff(**at(cloth), quantity=3, reason="x")
        with pytest.raises(Question, match=f"3 pieces of Cloth, where {on_hand} should be on"):
            ledger.use(PROGRAM, taken)
        ledger.use(PROGRAM, replace(taken, override_reason="nobody took the receipt down"))
    assert Stock.objects.get().on_hand == -6
    assert counted(cloth, 10).quantity == 16


@pytest.mark.parametrize(("quantity", "asks"), [(999_999, False), (1_000_000, True)])
def test_ten_times_the_usual_receipt_is_asked_about_whatever_else_is_known(
    quantity: int, asks: bool
) -> None:
    made = shelf.item("made-up", packs=(208_000,))
    for _ in range(3):
        received(made, 100_000)
    if not asks:
        received(made, quantity)
        return
    said = "1,000 L of Made up, where 100 L at once are usual"
    with pytest.raises(Question, match=said) as asked:
        received(made, quantity)
    assert asked.value.candidates[0] == "100 L"
    order = {"ordered_on": TODAY, "due_on": TODAY}
    with pytest.raises(Question, match="100 L at once are usual"):
        ordering.expect(PROGRAM, **at(made), quantity=quantity, **order)
    received(made, quantity, override_reason="a new tank")
    received(made, quantity)  # as much came before


def test_two_receipts_make_nothing_usual() -> None:
    made = shelf.item("made-up", packs=(208_000,))
    for quantity in (100_000, 100_000, 1_000_000):
        received(made, quantity)


def test_the_usual_is_that_of_the_depot_and_of_the_newest_hundred() -> None:
    made = shelf.item("made-up", packs=(208_000,))
    for _ in range(3):
        ledger.receive(PROGRAM, Receipt(depot=scene.depot("far"), item=made, quantity=9_000))
    received(made, 100_000)  # ten times what is usual elsewhere
    for quantity, number in ((1_000, 101), (4_000, 100)):
        rows = [
            StockMove(**at(made), kind="received", quantity=quantity, at=NOW, channel="test")
            for _ in range(number)
        ]
        StockMove.objects.bulk_create(rows)
    with pytest.raises(Question, match="where 4 L at once are usual"):
        received(made, 150_000)


@pytest.mark.parametrize(
    ("unit", "pack", "most"),  # by hand: the floors, and twenty packs
    [("mL", 1_000, 25_000), ("pieces", 20, 500), ("mL", 2_000, 40_000), ("pieces", 100, 2_000)],
)
def test_what_may_come_at_first_is_a_floor_or_twenty_packs(unit: str, pack: int, most: int) -> None:
    made = shelf.item("made-up", unit=unit, packs=(pack,))
    with pytest.raises(Question, match="far more than was ever there"):
        received(made, most + 1)
    received(made, most)


@pytest.mark.parametrize(("year", "asks"), [(20, False), (21, True)])
def test_a_best_before_twenty_years_ahead_is_believed(year: int, asks: bool) -> None:
    oil = shelf.item("oil")
    on = TODAY.replace(year=TODAY.year + year)
    if not asks:
        received(oil, 1_000, best_before=on)
        return
    with pytest.raises(Question, match="far ahead"):
        received(oil, 1_000, best_before=on)


@pytest.mark.parametrize(("litres", "asks"), [(12, False), (15, False), (16, True), (30, True)])
def test_more_than_five_times_what_is_proposed_is_asked_about_when_it_is_ordered(
    litres: int, asks: bool
) -> None:
    oil = shelf.item("made-up", packs=(60_000,))
    order = {"quantity": litres * 1000, "ordered_on": TODAY, "due_on": TODAY, "proposed": 3000}
    if not asks:
        assert ordering.expect(PROGRAM, **at(oil), **order).quantity == litres * 1000
        return
    with pytest.raises(Question, match=f"{litres} L of Made up, where 3 L are proposed") as asked:
        ordering.expect(PROGRAM, **at(oil), **order)
    assert asked.value.values == (3000,)
    kept = ordering.expect(PROGRAM, **at(oil), **order, override_reason="a drum is cheaper")
    assert kept.reason == "it stands: a drum is cheaper"
