from collections.abc import Callable

import pytest
from django.test import Client

from fleet.dashboard.stock_lines import amount
from fleet.people.models import Person, Role
from fleet.stores.models import Stock, StockMove
from tests.cast import Cast, cast, person
from tests.stores import shelf

SignedIn = Callable[[Person], Client]
OIL = {"way": "received", "depot": "plain", "item": "gear-oil", "quantity": "20"}


@pytest.fixture
def people(db: None) -> Cast:
    shelf.item()
    shelf.item("washer", kind="seal", unit="pieces")
    return cast()


@pytest.fixture
def keeper(people: Cast, signed_in: SignedIn) -> Client:
    return signed_in(person("Stella", Role.STORES, people.plain, people.hill))


def move(client: Client, **given: str) -> str:
    return client.post("/stock/moves", OIL | given, follow=True).content.decode()


def test_stock_is_received_in_litres_and_counted(keeper: Client) -> None:
    assert "20\u00a0L received" in move(keeper, price="240", batch="B-1", best_before="2031-01-31")
    page = move(keeper, way="counted", quantity="19.25", reason="monthly count")
    assert "19.25\u00a0L" in page
    rows = StockMove.objects.order_by("id")
    assert [(row.quantity, row.price_minor) for row in rows] == [(20_000, 24_000), (-750, -900)]


def test_stock_goes_to_another_depot(keeper: Client) -> None:
    move(keeper, way="transferred", to_depot="hill", quantity="1.5")
    assert set(Stock.objects.values_list("depot__slug", "on_hand")) == {
        ("plain", -1500),
        ("hill", 1500),
    }
    assert "below zero: count it" in keeper.get("/stock").content.decode()


def test_a_form_sent_twice_moves_once(keeper: Client) -> None:
    for _ in range(2):
        move(keeper, key="one-form")
    assert Stock.objects.get().on_hand == 20_000


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"item": ""}, "Choose an item"),
        ({"depot": "far"}, "Choose one of your depots"),
        ({"quantity": "a few"}, "Quantity:"),
        ({"item": "washer", "quantity": "1.5"}, "Pieces are whole numbers"),
        ({"way": "lost"}, "Say what happened"),
        ({"best_before": "soon"}, "is not a date"),
        ({"way": "counted"}, "Say why it was counted"),
    ],
)
def test_nonsense_is_answered_in_words_and_moves_nothing(
    keeper: Client, given: dict[str, str], words: str
) -> None:
    assert words in move(keeper, **given)
    assert not StockMove.objects.exists()


def test_a_move_is_taken_back(keeper: Client) -> None:
    move(keeper)
    url = f"/stock/moves/{StockMove.objects.get().pk}/take-back"
    keeper.post(url, {"reason": "typed twice"})
    assert Stock.objects.get().on_hand == 0


def test_who_keeps_no_stock_sees_it_and_moves_nothing(
    people: Cast, keeper: Client, signed_in: SignedIn
) -> None:
    move(keeper)
    client = signed_in(people.mechanic)
    page = client.get("/stock").content.decode()
    assert "Gear oil" in page
    assert "Move stock" not in page
    assert client.post("/stock/moves", OIL).status_code == 403


def test_stock_of_another_depot_is_not_seen(
    people: Cast, keeper: Client, signed_in: SignedIn
) -> None:
    move(keeper)
    client = signed_in(people.outsider)
    table = client.get("/stock.csv").content.decode()
    assert "gear-oil" not in table
    pk = StockMove.objects.get().pk
    assert client.post(f"/stock/moves/{pk}/take-back", {"reason": "x"}).status_code == 404


def test_the_list_is_a_file_too(keeper: Client) -> None:
    move(keeper)
    assert "gear-oil,Gear oil,fluid,20000" in keeper.get("/stock.csv").content.decode()


@pytest.mark.parametrize(
    ("quantity", "unit", "words"),
    [(1500, "mL", "1.5\u00a0L"), (-946, "mL", "\u22120.946\u00a0L"), (12, "pieces", "12\u00a0pcs")],
)
def test_quantities_are_shown_with_their_unit(quantity: int, unit: str, words: str) -> None:
    assert amount(quantity, unit) == words


def test_costs_are_shown_by_vehicle_service_and_depot(keeper: Client) -> None:
    for by in ("vehicle", "service", "depot", "nonsense"):
        assert "No work order was finished" in keeper.get(f"/costs?by={by}").content.decode()
    assert keeper.get("/costs.csv").content.decode().lstrip("\ufeff").startswith("By,Jobs")
