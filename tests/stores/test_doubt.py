"""What is asked about before stock moves. The limits are our choice, so the cases are those that
people met: litres for millilitres, a point that slipped, a price for another pack, an old date."""

from datetime import date, timedelta
from typing import Any

import pytest

from fleet.calc.magnitudes import apart, beyond, slipped
from fleet.faults import Fault, Question
from fleet.people.actor import Actor
from fleet.stores import ledger, ordering
from fleet.stores.doubt import PackSaid, pack_doubt, unit_is_kept, use_doubt
from fleet.stores.ledger import Receipt, TakenOff, Transfer
from fleet.stores.models import Arrival, Item, Pack, Stock, StockMove
from tests import scene
from tests.scene import NOW
from tests.stores import shelf

pytestmark = pytest.mark.django_db
PROGRAM = Actor(None, "test", NOW)
TODAY = NOW.date()


@pytest.fixture
def oil() -> Item:
    """20 L of an oil in packs of a litre, for 9.00 each."""
    made = shelf.item("oil", packs=(1000,))
    ledger.receive(PROGRAM, Receipt(**at(made), quantity=20_000, price_minor=18_000))
    return made


def at(item: Item) -> dict[str, Any]:
    return {"depot": scene.depot(), "item": item}


def received(item: Item, quantity: int, **given: Any) -> StockMove:
    return ledger.receive(PROGRAM, Receipt(**at(item), quantity=quantity, **given))


def counted(item: Item, quantity: int, **given: Any) -> StockMove:
    return ledger.count(PROGRAM, **at(item), counted=quantity, reason="monthly", **given)


# --- how much ----------------------------------------------------------------------------------
def test_twenty_thousand_litres_counted_where_twenty_are_is_asked_about(oil: Item) -> None:
    with pytest.raises(Question, match="20,000 L of Oil: that is far more") as asked:
        counted(oil, 20_000_000)
    assert (asked.value.about, asked.value.candidates[0]) == ("quantity", "20 L")
    assert Stock.objects.get().on_hand == 20_000


def test_many_clips_are_asked_about_also_where_nothing_is_known() -> None:
    clip = shelf.item("clip", kind="one-time fixing", unit="pieces", packs=())
    with pytest.raises(Question, match="501 pieces of Clip"):
        received(clip, 501)
    received(clip, 500)  # so many are never too much
    Pack.objects.create(item=clip, quantity=600)
    with pytest.raises(Question, match="12,001 pieces of Clip"):
        received(clip, 12_001)
    received(clip, 12_000)  # twenty packs may come at once


def test_of_a_fluid_25_litres_are_never_too_much() -> None:
    grease = shelf.item("grease", packs=())
    with pytest.raises(Question, match=r"25\.001 L of Grease"):
        received(grease, 25_001)
    received(grease, 25_000)


@pytest.mark.parametrize("way", ["used", "written off", "transferred", "received"])
def test_every_way_is_asked_about_and_goes_through_with_a_reason_that_is_kept(
    oil: Item, way: str
) -> None:
    def move(**given: str) -> object:
        match way:
            case "used":
                return ledger.use(
                    PROGRAM, TakenOff(**at(oil), quantity=300_000, reason="x", **given)
                )
            case "written off":
                return ledger.write_off(
                    PROGRAM, TakenOff(**at(oil), quantity=300_000, reason="x", **given)
                )
            case "received":
                return received(oil, 300_000, **given)
        ends = {"from_depot": scene.depot(), "to_depot": scene.depot("far"), "item": oil}
        return ledger.transfer(PROGRAM, Transfer(**ends, quantity=300_000, **given))

    with pytest.raises(Question, match="300 L of Oil") as asked:
        move()
    # the nearest to 20 L first; no more may leave than is there
    assert asked.value.candidates[-2:] == ("3 L", "0.3 L")
    assert ("30 L" in asked.value.candidates) == (way == "received")
    assert StockMove.objects.count() == 1
    move(override_reason="a new tank")
    assert "it stands: a new tank" in StockMove.objects.order_by("pk")[1].reason


def test_less_than_ten_times_what_is_known_is_believed_and_ten_times_is_asked_about(
    oil: Item,
) -> None:
    with pytest.raises(Question):
        received(oil, 200_000)
    received(oil, 199_999)


def test_what_was_used_at_once_is_known_though_it_is_gone(oil: Item) -> None:
    received(oil, 199_999)
    ledger.use(PROGRAM, TakenOff(**at(oil), quantity=219_000, reason="a flush of all"))
    with pytest.raises(Question):
        received(oil, 2_190_000)  # ten times the 219 L
    received(oil, 2_189_999)


def test_what_was_taken_back_is_not_known(oil: Item) -> None:
    wrong = received(oil, 5_000_000, override_reason="typed in haste")
    ledger.take_back(PROGRAM, wrong, reason="typed in haste")
    with pytest.raises(Question):
        received(oil, 5_000_000)


@pytest.mark.parametrize(
    ("found", "meant"),
    # 20 are litres or a digit short, 2,000 a digit short; 2,000 L would be a hundred times too much
    [(0, None), (20, ["0.2 L", "20 L"]), (2_000, ["20 L"]), (2_001, None)],
)
def test_a_tenth_of_what_should_be_there_is_asked_about_but_not_nothing(
    oil: Item, found: int, meant: list[str] | None
) -> None:
    if meant is None:
        counted(oil, found)
        return
    with pytest.raises(Question, match="Is it so little") as asked:
        counted(oil, found)
    assert list(asked.value.candidates) == meant


@pytest.mark.parametrize(
    ("there", "found", "asks"),
    [(49, 490, True), (49, 489, False), (20, 200, True), (19, 200, False), (50, 500, True)],
)
def test_a_count_ten_times_what_should_be_there_is_asked_about(
    there: int, found: int, asks: bool
) -> None:
    cloth = shelf.item("cloth", kind="consumable", unit="pieces", packs=())
    received(cloth, there)
    if not asks:
        counted(cloth, found)
        return
    words = f"{found} pieces of Cloth counted, where {there} pieces should be. Is it so much"
    with pytest.raises(Question, match=words) as asked:
        counted(cloth, found)
    assert asked.value.candidates[0] == f"{found // 10} pieces"


@pytest.mark.parametrize(("found", "asks"), [(0, False), (19, False), (20, True), (120, True)])
def test_a_count_of_more_than_a_little_where_less_than_nothing_is_booked_is_asked_about(
    found: int, asks: bool
) -> None:
    cloth = shelf.item("cloth", kind="consumable", unit="pieces", packs=())
    went = TakenOff(**at(cloth), quantity=18, reason="used", override_reason="they were there")
    ledger.use(PROGRAM, went)  # and nobody entered that they came: −18
    if not asks:
        assert counted(cloth, found).quantity == found + 18
        return
    words = f"{found} pieces of Cloth counted, where 18 pieces less than nothing are booked"
    with pytest.raises(Question, match=words) as asked:
        counted(cloth, found)
    assert (asked.value.values, asked.value.candidates) == ((), ())  # nothing booked tells a slip
    assert counted(cloth, found, override_reason="counted twice").quantity == found + 18


def test_a_count_where_nothing_was_ever_booked_is_offered_no_guess() -> None:
    cloth = shelf.item("cloth", kind="consumable", unit="pieces", packs=(50,))
    with pytest.raises(Question, match="far more than was ever there") as asked:
        counted(cloth, 2000)
    assert (asked.value.values, asked.value.candidates) == ((), ())
    received(cloth, 50)  # held against what is booked it can be told
    with pytest.raises(Question) as asked:
        counted(cloth, 2000)
    assert asked.value.values[0] == 20


@pytest.mark.parametrize(
    ("unit", "there", "asks"),
    [("pieces", 19, False), ("pieces", 20, True), ("mL", 999, False), ("mL", 1_000, True)],
)
def test_little_may_have_been_used_up_without_a_question(unit: str, there: int, asks: bool) -> None:
    # our choice: below 20 pieces or a litre, next to nothing left is no order of magnitude
    kept = shelf.item("kept", kind="seal" if unit == "pieces" else "fluid", unit=unit)
    received(kept, there)
    if not asks:
        counted(kept, 1)
        return
    with pytest.raises(Question, match="Is it so little"):
        counted(kept, 1)


@pytest.mark.parametrize(
    ("unit", "most", "foreseen"),
    [("mL", 5_000, 0), ("pieces", 10, 0), ("mL", 5_000, 1_000), ("mL", 6_000, 1_200)],
)
def test_one_job_takes_five_times_what_is_foreseen_or_little_at_all(
    unit: str, most: int, foreseen: int
) -> None:
    assert use_doubt("said", unit, most, foreseen) == ("", [])
    assert use_doubt("said", unit, most + 1, foreseen)[0].endswith("Was it so much?")


def test_a_move_sent_again_is_not_asked_about_again(oil: Item) -> None:
    for _ in range(2):
        received(oil, 300_000, override_reason="a new tank", key="one")
    assert received(oil, 300_000, key="one").quantity == 300_000
    assert Stock.objects.get().on_hand == 320_000


# --- price and date ----------------------------------------------------------------------------
def test_a_price_a_thousand_times_the_last_is_asked_about(oil: Item) -> None:
    # by hand: 9.00 a litre, so 18.00 for two
    with pytest.raises(Question, match="would be 18.00") as asked:
        received(oil, 2_000, price_minor=1_800_000)
    assert asked.value.about == "price"
    received(oil, 2_000, price_minor=3_600)  # twice the price may be
    received(oil, 2_000, price_minor=0)  # and so may a gift


def test_a_best_before_that_is_over_is_asked_about(oil: Item) -> None:
    with pytest.raises(Question, match="over already") as asked:
        received(oil, 1_000, best_before=TODAY - timedelta(days=1))
    assert asked.value.about == "best_before"
    received(oil, 1_000, best_before=TODAY)
    with pytest.raises(Question, match="far ahead"):
        received(oil, 1_000, best_before=date(2047, 1, 1))
    received(oil, 1_000, best_before=date(2046, 12, 31))  # twenty years on


def test_another_date_for_a_batch_that_is_there_is_asked_about(oil: Item) -> None:
    received(oil, 1_000, batch="B", best_before=date(2027, 1, 31))
    with pytest.raises(
        Question, match="Batch B is best before 31 Jan 2027 here, and not 31 Jan 2028"
    ) as asked:
        received(oil, 1_000, batch="B", best_before=date(2028, 1, 31))
    assert asked.value.candidates == ("31 Jan 2027",)
    received(oil, 1_000, batch="C", best_before=date(2028, 1, 31))


# --- what no column holds ----------------------------------------------------------------------
def test_nothing_overflows(oil: Item) -> None:
    """Beyond 2,147,483,647, which is what 32 bits hold, stock is still counted."""
    why = {"quantity": "tried", "price": "tried"}
    for _ in range(2):
        received(oil, ledger.MOST, price_minor=10**11, override_reason=why)
    assert Stock.objects.get().on_hand == 2 * ledger.MOST + 20_000
    with pytest.raises(Fault, match="above 0"):
        received(oil, ledger.MOST + 1)
    for price in (-1, 10**12 + 1):
        with pytest.raises(Fault, match="price"):
            received(oil, 1, price_minor=price)
    order = {"ordered_on": TODAY, "due_on": TODAY}
    assert ordering.expect(PROGRAM, **at(oil), quantity=10**10, **order).quantity == 10**10
    with pytest.raises(Fault, match="how much"):
        ordering.expect(PROGRAM, **at(oil), quantity=10**13, **order)


@pytest.mark.parametrize(
    ("given", "about"),
    [
        ({"quantity": 200_000}, "quantity"),  # ten times the 20 L that ever moved
        ({"due_on": TODAY + timedelta(days=367)}, "due_on"),
    ],
)
def test_an_order_of_another_magnitude_or_a_year_ahead_is_asked_about(
    oil: Item, given: dict[str, Any], about: str
) -> None:
    order: dict[str, Any] = {"quantity": 199_999, "ordered_on": TODAY, "due_on": TODAY}
    with pytest.raises(Question) as asked:
        ordering.expect(PROGRAM, **at(oil), **(order | given))
    assert asked.value.about == about
    assert not Arrival.objects.exists()
    kept = ordering.expect(PROGRAM, **at(oil), **(order | given), override_reason="agreed so")
    assert kept.reason == "it stands: agreed so"
    order["due_on"] = TODAY + timedelta(days=366)
    assert ordering.expect(PROGRAM, **at(oil), **order).reason == ""


def test_a_reason_passes_the_one_doubt_that_it_answers(oil: Item) -> None:
    old = {"best_before": TODAY - timedelta(days=1)}
    with pytest.raises(Question, match="far more.* is over already.*a reason for each") as asked:
        received(oil, 300_000, **old, override_reason="a new tank")
    assert asked.value.doubts == ("quantity", "best_before")
    with pytest.raises(Question, match="^Best before 14 Jun 2026 is over already"):
        received(oil, 300_000, **old, override_reason={"quantity": "a new tank"})
    because = {"quantity": "a new tank", "best_before": "for flushing"}
    assert received(oil, 300_000, **old, override_reason=because).reason == (
        "it stands: a new tank; for flushing"
    )


def test_the_unit_of_what_moved_is_kept(oil: Item) -> None:
    assert "stock has moved in mL" in unit_is_kept(oil.pk, "mL")
    assert unit_is_kept(shelf.item("other").pk, "mL") == ""


# --- packs -------------------------------------------------------------------------------------
LITRE, DRUM = PackSaid("mL", 1_000, 900), PackSaid("mL", 208_000, 110_500)


@pytest.mark.parametrize(
    ("said", "others", "before", "words"),
    [
        (PackSaid("mL", 20, None), [], None, "20 L meant, that is 20,000"),
        (PackSaid("mL", 49, None), [], None, "were 49 L meant"),
        (PackSaid("mL", 50, None), [], None, ""),
        (PackSaid("mL", 2_000_000, None), [], None, ""),
        (PackSaid("mL", 2_000_001, None), [], None, "is it so much"),
        (PackSaid("pieces", 20, None), [], None, ""),
        (PackSaid("pieces", 5_001, None), [], None, "is it so much"),
        (LITRE, [DRUM], None, ""),  # 9.00 a litre by the bottle, 5.31 by the drum
        (PackSaid("mL", 1_000, 26_562), [DRUM], None, ""),  # 50 times 5.3125 a litre is 265.625
        (PackSaid("mL", 1_000, 26_563), [DRUM], None, "where 208,000 cost"),
        (PackSaid("mL", 1_000, 900_000), [], LITRE, "where 1,000 cost"),
        (PackSaid("mL", 1_000, 4_500), [], LITRE, ""),  # five times as much may be
        (PackSaid("mL", 1_000, 4_501), [], LITRE, "where 1,000 cost"),
        (PackSaid("mL", 1_000, 900), [PackSaid("mL", 5_000, None)], PackSaid("mL", 1, None), ""),
    ],
)
def test_a_pack_of_another_size_or_price_is_asked_about(
    said: PackSaid, others: list[PackSaid], before: PackSaid | None, words: str
) -> None:
    found = pack_doubt(said, others, before)
    assert words in found
    assert bool(words) == bool(found)


# --- by hand -----------------------------------------------------------------------------------
def test_what_may_have_been_meant_comes_nearest_first() -> None:
    assert slipped(20_000_000, 19_000, 190_000) == [20_000, 20]
    assert slipped(20_000_000, 0, 190_000) == [20_000, 20]
    assert slipped(300, 0, 25) == [3]
    assert slipped(301, 10, 100) == []


def test_the_most_that_is_plausible_is_the_largest_of_what_is_known() -> None:
    assert beyond([(7, 10), (4, 20)], 50) == 80
    assert beyond([(1, 10)], 50) == 50


@pytest.mark.parametrize(
    ("price", "other", "found"),
    [(5, 1, False), (5.1, 1, True), (1, 5, False), (1, 5.1, True), (0, 9, False), (9, 0, False)],
)
def test_prices_are_apart_beyond_five_times(price: float, other: float, found: bool) -> None:
    assert apart(price, other) is found


def test_what_came_without_its_order_is_asked_about(oil: Item) -> None:
    arrival = shelf.arrival(oil, scene.depot(), quantity=6000)
    with pytest.raises(Question, match="6 L since 1 Jun 2026") as asked:
        ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=6000))
    assert asked.value.candidates == (f"order {arrival.pk}: 6 L, due 20 Jun 2026",)
    place = {"depot": scene.depot(), "item": oil, "quantity": 6000}
    kept = ledger.receive(PROGRAM, Receipt(**place, override_reason="a gift"))
    assert kept.reason == "it stands: a gift"
    ledger.receive(PROGRAM, Receipt(**place, arrival=arrival))
    ledger.receive(PROGRAM, Receipt(**place))  # nothing is on its way any more


def test_of_many_orders_that_may_have_come_the_next_three_are_named(oil: Item) -> None:
    for ml in (1_000, 2_000, 3_000, 4_000):
        shelf.arrival(oil, scene.depot(), quantity=ml, due_on=date(2026, 6, 15 + ml // 1_000))
    with pytest.raises(Question, match="1 L since .* and 2 L since .* and 3 L since") as asked:
        received(oil, 6_000)
    assert [one.split(": ")[1] for one in asked.value.candidates] == [
        "1 L, due 16 Jun 2026",
        "2 L, due 17 Jun 2026",
        "3 L, due 18 Jun 2026",
    ]


def test_an_order_of_a_later_day_or_another_depot_is_not_asked_about(oil: Item) -> None:
    shelf.arrival(oil, scene.depot("far"))
    shelf.arrival(oil, scene.depot(), ordered_on=date(2027, 6, 1), due_on=date(2027, 6, 2))
    ledger.receive(PROGRAM, Receipt(depot=scene.depot(), item=oil, quantity=6000))
