"""Items, what is on hand, and moves: whoever keeps stock may do it from a program of theirs."""

from datetime import date, timedelta

import pytest
from django.http import HttpResponse
from django.utils import timezone

from fleet.people.models import Person, Role
from fleet.stores.models import GradeLimit, Item, Stock, StockMove
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, person
from tests.kept import kept
from tests.stores import shelf

MOVES, STOCK = address("stock-moves"), address("stock")


@kept
def keeper(people: Cast) -> Person:
    return person("Stella", Role.STORES, people.plain, people.hill)


@kept
def oil(people: Cast) -> Item:
    return shelf.item(product=shelf.product())


def move(call: Caller, who: Person, key: str = "", **given: object) -> HttpResponse:
    body = {"kind": "received", "depot": "plain", "item": "gear-oil", "quantity": 5000}
    headers = {"Idempotency-Key": key} if key else {}
    return call(who).post(MOVES, body | given, format="json", headers=headers)


def test_an_item_is_listed_with_its_packs(keeper: Person, oil: Item, call: Caller) -> None:
    (row,) = call(keeper).get(address("items")).json()["rows"]
    assert (row["slug"], row["unit"], row["product"], row["grade"]) == (
        *("gear-oil", "mL"),
        *("gear-75w90", "75W-90"),
    )
    assert row["packs"] == [
        {"quantity": 1000, "price_minor": None, "price_source": "", "preferred": False}
    ]


def test_what_moves_shows_in_the_stock(keeper: Person, oil: Item, call: Caller) -> None:
    move(call, keeper, price_minor=6_000, batch="B-1", best_before="2031-01-01")
    move(call, keeper, kind="used", quantity=500, reason="topped up on the road")
    move(call, keeper, kind="written off", quantity=250, reason="spilt")
    move(call, keeper, kind="counted", quantity=4_200, reason="monthly count")
    (row,) = call(keeper).get(STOCK).json()["rows"]
    assert (row["depot"], row["item"], row["on_hand"]) == ("plain", "gear-oil", 4_200)
    rows = call(keeper).get(MOVES).json()["rows"]
    assert [row["quantity"] for row in rows] == [-50, -250, -500, 5_000]
    assert rows[-1]["best_before"] == "2031-01-01"
    assert {row["person"] for row in rows} == {"stella"}


def test_a_transfer_answers_with_both_moves(keeper: Person, oil: Item, call: Caller) -> None:
    sent = {"kind": "transferred", "to_depot": "hill", "quantity": 800}
    assert move(call, keeper, **sent).status_code == 409  # nothing is on hand
    answer = move(call, keeper, **sent, override_reason="the receipt was not taken down")
    assert answer.status_code == 201
    assert [(row["depot"], row["quantity"]) for row in answer.json()["rows"]] == [
        ("plain", -800),
        ("hill", 800),
    ]


def test_what_is_past_its_date_is_told_lot_by_lot_and_is_not_usable(
    keeper: Person, oil: Item, call: Caller
) -> None:
    move(call, keeper, batch="B-1", best_before="2031-01-01")
    StockMove.objects.create(
        **{"depot": Stock.objects.get().depot, "item": oil, "kind": "received"},
        **{"quantity": 300, "at": timezone.now(), "channel": "test", "batch": "B-0"},
        best_before=date(2020, 1, 1),
    )
    Stock.objects.update(on_hand=5_300)
    move(call, keeper, kind="used", quantity=100, reason="topped up on the road")
    (row,) = call(keeper).get(STOCK).json()["rows"]
    # by hand: .1 L falls on the older lot, which is past its date
    assert (row["on_hand"], row["usable"], row["too_old"]) == (5_200, 5_000, 200)
    assert row["lots"] == [
        {"batch": "B-0", "best_before": "2020-01-01", "left": 200, "too_old": True},
        {"batch": "B-1", "best_before": "2031-01-01", "left": 5_000, "too_old": False},
    ]
    moved = move(call, keeper, kind="transferred", to_depot="hill", quantity=150).json()["rows"]
    assert {(row["batch"], row["best_before"]) for row in moved} == {("B-0", "2020-01-01")}


def test_a_key_sent_twice_moves_once(keeper: Person, oil: Item, call: Caller) -> None:
    answers = [move(call, keeper, "key-1").json()["rows"][0]["id"] for _ in range(2)]
    assert answers[0] == answers[1]
    assert Stock.objects.get().on_hand == 5_000


def test_a_move_is_taken_back_by_its_opposite(keeper: Person, oil: Item, call: Caller) -> None:
    (made,) = move(call, keeper).json()["rows"]
    back = address("stock-moves/<int:move_id>/take-back", move_id=made["id"])
    answer = call(keeper).post(back, {"reason": "typed twice"}, format="json")
    assert (answer.status_code, answer.json()["rows"][0]["quantity"]) == (201, -5_000)
    assert Stock.objects.get().on_hand == 0


def test_what_was_on_order_is_received(
    keeper: Person, oil: Item, people: Cast, call: Caller
) -> None:
    arrival = shelf.arrival(oil, people.plain, quantity=5000)
    assert move(call, keeper, arrival=arrival.pk).status_code == 201
    again = move(call, keeper, arrival=arrival.pk)
    assert (again.status_code, again.json()["errors"][0]["code"]) == (409, "refused_as_it_stands")


@pytest.mark.parametrize(
    ("given", "status", "pointer"),
    [
        ({"item": "nothing"}, 400, "#/item"),
        ({"kind": "transferred"}, 400, "#/to_depot"),
        ({"arrival": 99}, 400, "#/arrival"),
        ({"quantity": -1}, 400, "#/quantity"),
        ({"quantity": 0}, 422, "#/quantity"),
        ({"kind": "counted"}, 422, "#/reason"),  # without a reason
        ({"depot": "far"}, 404, "#"),
        ({"colour": "red"}, 400, "#/colour"),
    ],
)
def test_what_cannot_be_used_is_named(
    keeper: Person, oil: Item, call: Caller, given: dict[str, object], status: int, pointer: str
) -> None:
    answer = move(call, keeper, **given)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (status, pointer)
    assert not StockMove.objects.exists()


def test_stock_of_another_depot_is_neither_seen_nor_moved(
    people: Cast, keeper: Person, oil: Item, call: Caller
) -> None:
    move(call, keeper)
    other = person("Odo", Role.STORES, people.hill)
    assert call(other).get(MOVES).json()["rows"] == call(other).get(STOCK).json()["rows"] == []
    assert move(call, other).status_code == 404
    assert move(call, other, depot="hill", kind="transferred", to_depot="plain").status_code == 404


def test_lists_are_narrowed_by_what_is_asked(keeper: Person, oil: Item, call: Caller) -> None:
    move(call, keeper)
    for asked, found in (
        ({"item": "gear-oil", "kind": "received"}, 1),
        *(({"kind": "used"}, 0), ({"depot": "hill"}, 0), ({"order_number": "W-1"}, 0)),
    ):
        assert len(call(keeper).get(MOVES, asked).json()["rows"]) == found
    assert call(keeper).get(address("items"), {"kind": "seal"}).json()["rows"] == []
    assert call(keeper).get(STOCK, {"item": "other"}).json()["rows"] == []


def test_a_data_sheet_that_does_not_fit_its_grade_is_warned_of(
    keeper: Person, oil: Item, call: Caller
) -> None:
    GradeLimit.objects.get_or_create(  # SAE J306, February 2019, secondary copy
        **{"table": "SAE J306", "edition": "2019-02", "grade": "90", "property": "kv100"},
        defaults={"least": 13.5, "most": 18.5, "unit": "mm²/s", "at_c": 100, "source": "test"},
    )
    GradeLimit.objects.get_or_create(
        **{"table": "SAE J306", "edition": "2019-02", "grade": "75W", "property": "kv100"},
        defaults={"least": 3.8, "unit": "mm²/s", "at_c": 100, "source": "test"},
    )
    assert oil.product is not None
    oil.product.kv100_mm2_s = 12.9
    oil.product.save()
    (row,) = call(keeper).get(address("items")).json()["rows"]
    assert "from 13.5 below 18.5 mm²/s" in row["grade_warnings"][0]


def test_costs_are_told_by_vehicle_and_as_csv(running: Cast, call: Caller) -> None:
    url = address("costs")
    answer = call(running.viewer).get(url, {"by": "depot"}).json()
    assert (answer["by"], answer["currency"], answer["rows"]) == ("depot", "EUR", [])
    sheet = call(running.viewer).get(url, headers={"Accept": "text/csv"})
    assert b"".join(sheet.streaming_content).startswith(b"name,materials_minor,labour_minor")
    wrong = call(running.viewer).get(url, {"from_on": "2026-02-01", "until_on": "2026-01-01"})
    assert wrong.status_code == 400


@pytest.mark.parametrize(
    ("given", "pointer", "meant"),
    [
        ({"kind": "counted", "quantity": 20_000_000, "reason": "monthly"}, "#/quantity", "20 L"),
        ({"quantity": 20_000_000}, "#/quantity", "20 L"),
        ({"price_minor": 5_000_000}, "#/price", None),
        ({"best_before": "2020-01-01"}, "#/best_before", None),
    ],
)
def test_another_order_of_magnitude_is_asked_about_and_goes_through_with_a_reason(
    keeper: Person, oil: Item, call: Caller, given: dict[str, object], pointer: str, meant: str
) -> None:
    move(call, keeper, price_minor=5_000)
    answer = move(call, keeper, **given)
    problem = answer.json()
    assert (answer.status_code, problem["errors"][0]["pointer"]) == (409, pointer)
    assert problem["errors"][0]["code"] == "question"
    assert meant is None or meant in problem["candidates"]
    assert "override_reason" in problem["to_go_on"]
    assert StockMove.objects.count() == 1
    assert move(call, keeper, **given, override_reason="as it is").status_code == 201
    assert StockMove.objects.latest("pk").reason.endswith("it stands: as it is")


def test_a_future_time_is_refused_and_not_moved(keeper: Person, oil: Item, call: Caller) -> None:
    ahead = (timezone.now() + timedelta(hours=1)).isoformat()
    answer = move(call, keeper, performed_at=ahead)
    assert answer.status_code == 422
    assert "lies ahead" in answer.json()["detail"]
    assert not StockMove.objects.exists()
    (made,) = move(call, keeper).json()["rows"]
    back = address("stock-moves/<int:move_id>/take-back", move_id=made["id"])
    given = {"reason": "typed twice", "performed_at": ahead}
    assert call(keeper).post(back, given, format="json").status_code == 422


def test_programs_read_the_makers_number_and_the_shelf(
    keeper: Person, oil: Item, call: Caller
) -> None:
    move(call, keeper)
    Item.objects.update(part_number="MADE-UP 4711")
    Stock.objects.update(shelf_place="B 3")
    (item,) = call(keeper).get(address("items")).json()["rows"]
    (row,) = call(keeper).get(STOCK).json()["rows"]
    assert (item["part_number"], row["part_number"]) == ("MADE-UP 4711", "MADE-UP 4711")
    assert row["shelf_place"] == "B 3"


def test_one_reason_answers_one_doubt_and_each_may_have_its_own(
    keeper: Person, oil: Item, call: Caller
) -> None:
    move(call, keeper, price_minor=5_000)
    given = {"quantity": 20_000_000, "best_before": "2020-01-01"}
    problem = move(call, keeper, **given, override_reason="a tank").json()
    assert problem["to_go_on"] == {
        "override_reasons": "Give a reason for each: quantity, best_before."
    }
    because = {"quantity": "a tank"}
    answer = move(call, keeper, **given, override_reasons=because)
    assert answer.json()["errors"][0]["pointer"] == "#/best_before"
    assert StockMove.objects.count() == 1
    because["best_before"] = "for flushing"
    assert move(call, keeper, **given, override_reasons=because).status_code == 201
    assert StockMove.objects.latest("pk").reason.endswith("it stands: a tank; for flushing")


def test_what_came_without_its_order_is_asked_about(
    keeper: Person, oil: Item, people: Cast, call: Caller
) -> None:
    row = shelf.arrival(oil, people.plain, quantity=5000)
    answer = move(call, keeper)
    assert answer.status_code == 409
    assert "5 L since 1 Jun 2026" in answer.json()["detail"]
    assert move(call, keeper, override_reason="a gift").status_code == 201
    assert move(call, keeper, arrival=row.pk).status_code == 201


def test_a_move_is_not_taken_back_twice(keeper: Person, oil: Item, call: Caller) -> None:
    (made,) = move(call, keeper).json()["rows"]
    back = address("stock-moves/<int:move_id>/take-back", move_id=made["id"])
    answers = [call(keeper).post(back, {"reason": "typed twice"}, format="json") for _ in range(2)]
    assert [one.status_code for one in answers] == [201, 409]
