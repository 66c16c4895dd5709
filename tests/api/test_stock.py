"""Items, what is on hand, and moves: whoever keeps stock may do it from a program of theirs."""

import pytest
from django.http import HttpResponse

from fleet.people.models import Person, Role
from fleet.stores.models import GradeLimit, Item, Stock, StockMove
from tests.api.conftest import Caller
from tests.api.routes import address
from tests.cast import Cast, person
from tests.stores import shelf

MOVES, STOCK = address("stock-moves"), address("stock")


@pytest.fixture
def keeper(people: Cast) -> Person:
    return person("Stella", Role.STORES, people.plain, people.hill)


@pytest.fixture
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
    answer = move(call, keeper, kind="transferred", to_depot="hill", quantity=800)
    assert answer.status_code == 201
    assert [(row["depot"], row["quantity"]) for row in answer.json()["rows"]] == [
        ("plain", -800),
        ("hill", 800),
    ]


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
    arrival = shelf.arrival(oil, people.plain)
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
        ({"quantity": 0}, 422, "#"),
        ({"kind": "counted"}, 422, "#"),  # without a reason
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
